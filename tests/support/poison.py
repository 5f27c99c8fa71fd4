"""A site whose every text is something that a page must not take for its own."""

from __future__ import annotations

from gaswitness.site.records import Site
from support.ledgers import small_site

POISON = "\"><planted onload=alert(1)></script></title>'{{7*7}}"


def poisoned_site() -> Site:
    """Every text that a site file takes, filled with what a page must not take for its own."""
    site = small_site()
    area = site.areas[0].model_copy(update={"name": POISON})
    effects = tuple(one.model_copy(update={"name": POISON}) for one in site.effects)
    posts = tuple(one.model_copy(update={"name": POISON}) for one in site.posts)
    return site.model_copy(
        update={"name": POISON, "note": POISON, "areas": (area,), "effects": effects, "posts": posts}
    )

"""Places and ids in the words of the plan."""

from __future__ import annotations

import re

from gaswitness.site.records import Detector, Post, Site


def slug(text: str) -> str:
    """A name of any spelling as part of a step id.

    >>> slug("Alarm receiving station")
    'alarm-receiving-station'
    """
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-") or "role"


def post_at(site: Site, area: str | None) -> Post | None:
    """The first post within this area."""
    return next((post for post in site.posts if area is not None and post.area == area), None)


def panel_post(site: Site) -> str | None:
    """Where the panel is worked: the post in the panel's area."""
    post = post_at(site, site.panel.area)
    return post.tag if post else None


def detector_post(site: Site, detector: Detector) -> str | None:
    """Where gas is given: the post in the detector's area; none where the site names none (at the detector)."""
    post = post_at(site, detector.area)
    return post.tag if post else None

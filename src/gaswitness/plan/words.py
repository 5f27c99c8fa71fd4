"""Levels, times and limits in the words of the plan and the sheet."""

from __future__ import annotations

import math
import re

from gaswitness.site.records import Detector, Post, Site

_PER_UNIT = {"ppm": 1.0, "ppb": 1e-3, "%vol": 1e4}


def scale_ppm(detector: Detector) -> tuple[float, str]:
    """Ppm that one of the detector's own units is worth, and that unit's name."""
    if detector.unit == "%LFL" and detector.lfl is not None:
        return detector.lfl.ppm / 100.0, "%LFL"
    unit = "ppm" if detector.unit == "%LFL" else detector.unit
    return _PER_UNIT[unit], unit


def number(value: float) -> str:
    """Four figures, with a comma at thousands and no trailing zeros.

    >>> number(21000.0), number(19.5), number(0.23456)
    ('21,000', '19.5', '0.2346')
    """
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else "never"
    digits = max(0, 3 - math.floor(math.log10(abs(value))))
    text = f"{round(value, digits):,.{digits}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def level(detector: Detector, value_ppm: float) -> str:
    """A level as this detector shows it."""
    scale, unit = scale_ppm(detector)
    return f"{number(_to_display(detector, value_ppm / scale, scale))} {unit}"


def mixture(value_ppm: float) -> str:
    """A level as a bottle's label has it, whatever unit its detectors use.

    >>> mixture(220.0), mixture(165000.0)
    ('220 ppm', '16.5 %vol')
    """
    return f"{number(value_ppm / 1e4)} %vol" if value_ppm >= 1e4 else f"{number(value_ppm)} ppm"


def between(detector: Detector, lower_ppm: float, upper_ppm: float) -> str:
    """Two levels as this detector shows them."""
    scale, unit = scale_ppm(detector)
    lower, upper = (number(_to_display(detector, v / scale, scale)) for v in (lower_ppm, upper_ppm))
    return f"{lower} to {upper} {unit}"


def _to_display(detector: Detector, value: float, scale: float) -> float:
    """To one place more than the detector shows: more would be noise."""
    step = detector.resolution_ppm / scale
    return round(value, max(0, math.ceil(-math.log10(step))) + 1) if step > 0 else value


def seconds(value_s: float) -> str:
    """Seconds up to five minutes, else minutes.

    >>> seconds(42.4), seconds(600.0), seconds(float("inf"))
    ('42 s', '10 min', 'never')
    """
    if not math.isfinite(value_s):
        return "never"
    return f"{value_s:.0f} s" if value_s < 300 else f"{value_s / 60:.0f} min"


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

"""The description of one installation: records, loading, sense-check."""

from gaswitness.site.load import load_site
from gaswitness.site.points import alarm_points
from gaswitness.site.reading import read_site, site_from_bytes
from gaswitness.site.records import SITE_FORMAT, Site
from gaswitness.site.sense import SenseReport, bottle_cautions, sense_check

__all__ = [
    "SITE_FORMAT",
    "SenseReport",
    "Site",
    "alarm_points",
    "bottle_cautions",
    "load_site",
    "read_site",
    "sense_check",
    "site_from_bytes",
]

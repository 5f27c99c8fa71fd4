"""The description of one installation: records, loading, sense-check."""

from gaswitness.site.load import load_site
from gaswitness.site.points import alarm_points
from gaswitness.site.reading import read_site, site_from_bytes
from gaswitness.site.records import SITE_FORMAT, Site

__all__ = ["SITE_FORMAT", "Site", "alarm_points", "load_site", "read_site", "site_from_bytes"]

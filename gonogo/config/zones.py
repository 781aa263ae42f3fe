"""Which time zone a place lies in, by the borders that a library brings along."""

from __future__ import annotations

from zoneinfo import available_timezones

import tzfpy


def zone_at(latitude_deg: float, longitude_deg: float) -> str | None:
    """Return the IANA zone of a place on land, None at sea. Right to some kilometres beside a border."""
    name = tzfpy.get_tz(longitude_deg, latitude_deg)
    return name if name in available_timezones() and not name.startswith("Etc/") else None

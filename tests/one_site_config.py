"""A config of one site for mornings that are made in bulk: soils with usual values, and the folder that holds it."""

from __future__ import annotations

from pathlib import Path
from zoneinfo import ZoneInfo

from gonogo.soil.classes import SOIL_CLASSES

ZONE = ZoneInfo("Etc/GMT")  # noon at the sun's own time: the places lie near longitude 0
# soil class: optimum [%], greatest dry density [kg/m3], dry density as spread [kg/m3]; usual values, our own choice
SOILS: dict[str, tuple[float, float, float]] = {
    "sand": (10.5, 1780.0, 1500.0),
    "loamy_sand": (11.0, 1850.0, 1520.0),
    "sandy_loam": (12.0, 1880.0, 1510.0),
    "loam": (14.0, 1800.0, 1460.0),
    "silt_loam": (15.5, 1740.0, 1420.0),
    "silt": (16.0, 1720.0, 1410.0),
    "silty_clay_loam": (17.0, 1710.0, 1400.0),
    "silty_clay": (19.0, 1660.0, 1360.0),
    "clay": (20.5, 1620.0, 1330.0),
}
assert set(SOILS) == set(SOIL_CLASSES)
GONOGO = """
use = "non-commercial"
operator = "operator@example.com"
[store]
url = "sqlite:///gonogo.sqlite3"
[mail]
kind = "folder"
folder = "mails"
sender = "gonogo@example.com"
[[weather]]
service = "open_meteo"
"""


def write(folder: Path, site_name: str, site_text: str, weather_text: str) -> None:
    """Write the config of one site into folder/config, and the service's answer into folder/body.json."""
    (folder / "config" / "sites").mkdir(parents=True)
    (folder / "config" / "gonogo.toml").write_text(GONOGO, encoding="utf-8")
    (folder / "config" / "sites" / f"{site_name}.toml").write_text(site_text, encoding="utf-8")
    (folder / "body.json").write_text(weather_text, encoding="utf-8")

"""What `gonogo learned` shows of the soil of each strip, and how it is forgotten."""

from __future__ import annotations

from datetime import datetime

from gonogo.config import Config
from gonogo.errors import ConfigError, Fault
from gonogo.moisture.learned import LearnedSoil, factors, in_force_of, reset
from gonogo.records.site import Site
from gonogo.soil.ground import SCORE_MEANING
from gonogo.store import learned, schema
from gonogo.store.open import open_store


def report(config: Config, site: Site, *, now_utc: datetime) -> str:
    """Return what was learned of each strip of a site: parameter by parameter the factor on its default."""
    store = open_store(config)
    try:
        with schema.read(store) as connection:
            in_force = in_force_of(learned.rows(connection, site.id, until_utc=now_utc))
    finally:
        store.dispose()
    share = config.settings[site.id]["learned_share_next_lift"]
    lines = [f"{site.name} ({site.id}): factor on the default of each strip's soil, with the 10 to 90 % range."]
    for strip in site.strips:
        own = [
            learned for learned in in_force if learned.strip_id == strip.id and learned.material_id == strip.material_id
        ]
        if not own:
            lines.append(f"{strip.id}: nothing learned yet; the first test of a lift only says where it starts.")
            continue
        lines += _lines(site, max(own, key=lambda learned: learned.through_utc))
    lines.append(f"The next lift of the same material starts from {share:.0%} of it (learned_share_next_lift).")
    return "\n".join(lines)


def forget(config: Config, site: Site, strip_id: str, *, now_utc: datetime) -> str:
    """Let a strip start from its soil's defaults again. Raises ConfigError for an unknown strip."""
    if strip_id not in {strip.id for strip in site.strips}:
        right = f"Write one of: {', '.join(strip.id for strip in site.strips)}. Nothing was changed."
        wrong = f"{site.id} has no such strip."
        raise ConfigError([Fault(place="command line", key="--reset", value=strip_id, wrong=wrong, right=right)])
    store = open_store(config)
    try:
        with schema.begin(store) as connection:
            learned.save(connection, site.id, [reset(site.strip(strip_id), now_utc)], made_utc=now_utc, run_id=None)
    finally:
        store.dispose()
    return f"{strip_id}: what was learned of its soil is forgotten. Nothing that was recorded on site is lost."


def _lines(site: Site, learned: LearnedSoil) -> list[str]:
    """What one strip's readings taught, as lines."""
    through = f"{learned.through_utc.astimezone(site.zone):%a %Y-%m-%d %H:%M}"
    lines = [f"{learned.strip_id}: {learned.n_readings} readings taught, the last of {through}"]
    for name, (low, middle, high) in factors(learned).items():
        lines.append(f"  {SCORE_MEANING[learned.ground][name]:<32} {middle:5.2f}  ({low:.2f} to {high:.2f})")
    return lines

"""What `gonogo learned` shows of the soil of each strip, and how it is forgotten."""

from __future__ import annotations

from datetime import datetime

from gonogo import times
from gonogo.config import Config
from gonogo.errors import ConfigError, Fault
from gonogo.moisture.learned import LearnedSoil, factors, in_force_of, reset
from gonogo.records.site import Site
from gonogo.store import learned, schema
from gonogo.store.open import open_store
from gonogo.wording import phrases
from gonogo.wording.clock import Clock
from gonogo.wording.language import Speaker
from gonogo.wording.phrases import Number


def report(config: Config, site: Site, *, now_utc: datetime, speak: Speaker) -> str:
    """Return what was learned of each strip of a site: parameter by parameter the factor on its default."""
    store = open_store(config)
    try:
        with schema.read(store) as connection:
            in_force = in_force_of(learned.rows(connection, site.id, until_utc=now_utc))
    finally:
        store.dispose()
    share = config.settings[site.id]["learned_share_next_lift"]
    clock = Clock(site=site, day=times.local_date(now_utc, site.zone))
    lines = [speak.word("learned.title", site=site.name, id=site.id)]
    for strip in site.strips:
        own = [
            learned for learned in in_force if learned.strip_id == strip.id and learned.material_id == strip.material_id
        ]
        if not own:
            lines.append(speak.word("learned.nothing", strip=strip.id))
            continue
        lines += _lines(max(own, key=lambda learned: learned.through_utc), clock, speak)
    lines.append(speak.word("learned.next_lift", share=phrases.share(share)))
    return "\n".join(lines)


def forget(config: Config, site: Site, strip_id: str, *, now_utc: datetime, speak: Speaker) -> str:
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
    return speak.word("learned.forgotten", strip=strip_id)


def _lines(learned: LearnedSoil, clock: Clock, speak: Speaker) -> list[str]:
    """What one strip's readings taught, as lines."""
    through = clock.minute(learned.through_utc)
    lines = [speak.word("learned.taught", strip=learned.strip_id, n=learned.n_readings, time=through)]
    rows = factors(learned)
    names = {name: speak.word(f"learned.{name}") for name in rows}
    width = max(map(len, names.values()))
    for name, ends in rows.items():
        low, middle, high = (speak.say(Number(value=round(value, 2), decimals=2)) for value in ends)
        between = speak.word("weather.range", low=low, high=high)
        lines.append(f"  {names[name]:<{width}} {middle:>6}  ({between})")
    return lines

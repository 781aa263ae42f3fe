"""A config in which every reader has the language and the units that a command asks for: only to look at."""

from __future__ import annotations

from dataclasses import replace

from gonogo.cli.arguments import speaker_asked
from gonogo.config import Config
from gonogo.records.site import Site


def read_by(config: Config, *, language: str, units: str) -> Config:
    """Return a config whose readers all have a language and a unit system; "" leaves each reader's own.

    Raises ConfigError for an unknown language or system.
    """
    if not language and not units:
        return config
    speaker_asked(language or "en", units or "metric")
    return replace(config, sites=tuple(_read_by(site, language, units) for site in config.sites))


def _read_by(site: Site, language: str, units: str) -> Site:
    return replace(
        site,
        crews=tuple(
            replace(
                crew,
                recipients=tuple(
                    replace(person, language=language or person.language, units=units or person.units)
                    for person in crew.recipients
                ),
            )
            for crew in site.crews
        ),
    )

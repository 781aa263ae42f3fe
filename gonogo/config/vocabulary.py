"""The words that a config file may use for things which other parts of the program bring along."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import resources

from gonogo.soil.readings import METHOD_ERROR_PCT
from gonogo.weather import services


@dataclass(frozen=True, slots=True, kw_only=True)
class Vocabulary:
    """roles, languages: what mails can be written for; methods: moisture tests; services: weather services.

    need_contact            services that want a mail address in the request
    commercial_needs_key    services that are free without a key for non-commercial use only
    sources                 services that are read from a folder, and what can lie in it
    """

    roles: tuple[str, ...]
    languages: tuple[str, ...]
    methods: tuple[str, ...]
    services: tuple[str, ...]
    need_contact: tuple[str, ...] = ()
    commercial_needs_key: tuple[str, ...] = ()
    sources: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


def installed() -> Vocabulary:
    """Return the words of the installed program: folders of mail/roles, files of wording/words, and so on."""
    found = services.find()
    roles, words = resources.files("gonogo.mail").joinpath("roles"), resources.files("gonogo.wording").joinpath("words")
    return Vocabulary(
        roles=tuple(sorted(r.name for r in roles.iterdir() if r.joinpath("role.toml").is_file())),
        languages=tuple(sorted(w.name.removesuffix(".toml") for w in words.iterdir() if w.name.endswith(".toml"))),
        methods=tuple(METHOD_ERROR_PCT),
        services=tuple(found),
        need_contact=tuple(name for name, service in found.items() if service.needs_contact),
        sources={name: tuple(service.sources) for name, service in found.items() if service.sources},
        commercial_needs_key=tuple(name for name, service in found.items() if service.commercial_needs_key),
    )

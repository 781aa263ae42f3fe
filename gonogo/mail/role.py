"""The kinds of reader: one folder of mail/roles each, with its templates and what comes along with its mails."""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from gonogo.errors import ConfigError, Fault
from gonogo.wording.language import Sentence, flat

ROLES = Path(__file__).parent / "roles"
CALENDARS = ("all", "today", "none")
_PARTS = ("role.toml", "subject.txt", "body.txt", "body.html")


@dataclass(frozen=True, slots=True, kw_only=True)
class Role:
    """One kind of reader.

    words          sentences that only this role uses, by language; English stands in for the others
    picture_days      days ahead that the picture of the moisture path shows, 0 for a mail without one
    calendar          planned work comes along as calendar entries: "all", "today" (today's watering alone) or "none"
    is_for_all_crews  one mail for all crews of a site that name the same address
    gets_score        gets the weekly score of how right the mails were
    """

    name: str
    reader: str
    words: Mapping[str, Mapping[str, Sentence]]
    picture_days: int = 0
    calendar: str = "none"
    is_for_all_crews: bool = False
    gets_score: bool = False


def roles(folder: Path = ROLES) -> tuple[str, ...]:
    """Return the roles there are: one folder each."""
    return tuple(sorted(p.name for p in folder.iterdir() if (p / "role.toml").is_file()))


@functools.cache
def load_role(name: str, folder: Path = ROLES) -> Role:
    """Return a role. Raises ConfigError when there is none or its folder is not complete."""
    if name not in roles(folder):
        known = ", ".join(roles(folder))
        raise _refusal("role", name, "there is no such role.", f"Use one of: {known}; or add mail/roles/{name}/.")
    missing = [part for part in _PARTS if not (folder / name / part).is_file()]
    if missing:
        raise _refusal("role", name, f"its folder lacks {', '.join(missing)}.", f"A role has {', '.join(_PARTS)}.")
    try:
        table = tomllib.loads((folder / name / "role.toml").read_text(encoding="utf-8"))
        words = {lang: flat(sentences, "role.toml") for lang, sentences in table.get("words", {}).items()}
        return Role(
            name=name,
            reader=table["reader"],
            words=words,
            picture_days=int(table.get("picture_days", 0)),
            calendar=_calendar(str(table.get("calendar", "none"))),
            is_for_all_crews=bool(table.get("is_for_all_crews", False)),
            gets_score=bool(table.get("gets_score", False)),
        )
    except (tomllib.TOMLDecodeError, KeyError, TypeError, ValueError) as fault:
        raise _refusal("role", name, f"role.toml cannot be read: {fault}.", 'It needs reader = "...".') from fault


def _calendar(asked: str) -> str:
    """Return which entries a role gets. Raises ValueError for a word that is not in CALENDARS."""
    if asked not in CALENDARS:
        raise ValueError(f"calendar = {asked!r} is none of {', '.join(CALENDARS)}")
    return asked


def _refusal(key: str, value: str, wrong: str, right: str) -> ConfigError:
    return ConfigError([Fault(place="recipient", key=key, value=repr(value), wrong=wrong, right=right)])

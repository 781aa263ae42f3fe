"""A view, a role and a language become one mail: text, HTML, subject, bytes."""

from __future__ import annotations

import functools
import hashlib
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import css_inline
import jinja2

from gonogo.errors import ConfigError, Fault
from gonogo.mail import calendar, letter, picture
from gonogo.mail.items import MorningView
from gonogo.mail.letter import RenderedMail, plain_notice
from gonogo.records.site import Recipient
from gonogo.wording import plain
from gonogo.wording.items import OrderView
from gonogo.wording.language import NO_BREAK, Sentence, Speaker, flat, speaker
from gonogo.wording.phrases import Names

__all__ = ["HTML_BYTES_MAX", "RenderedMail", "Role", "load_role", "message", "plain_notice", "roles"]

ROLES = Path(__file__).parent / "roles"
LAYOUT = Path(__file__).parent / "layout"
HTML_BYTES_MAX = 100_000  # some mail programs hide what comes after about this
SHARED_FROM, SHARED_UP_TO = 3, 6  # advice for as many strips as this is given once, with their names
_PARTS = ("role.toml", "subject.txt", "body.txt", "body.html")


@dataclass(frozen=True, slots=True, kw_only=True)
class Role:
    """One kind of reader.

    words          sentences that only this role uses, by language; English stands in for the others
    picture_days   days ahead that the picture of the moisture path shows, 0 for a mail without one
    has_calendar   planned work comes along as calendar entries
    """

    name: str
    reader: str
    words: Mapping[str, Mapping[str, Sentence]]
    picture_days: int = 0
    has_calendar: bool = False


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
            has_calendar=bool(table.get("has_calendar", False)),
        )
    except (tomllib.TOMLDecodeError, KeyError, TypeError, ValueError) as fault:
        raise _refusal("role", name, f"role.toml cannot be read: {fault}.", 'It needs reader = "...".') from fault


def message(
    view: MorningView,
    recipient: Recipient,
    *,
    sender: str,
    reply_to: str,
    message_id: str,
    date_utc: datetime,
    folder: Path = ROLES,
) -> RenderedMail:
    """Return one recipient's mail in that person's role, language and units.

    sender, reply_to   plain addresses; reply_to may be ""
    message_id         "<left@right>", the same for the same site, date, edition and recipient
    folder             where the roles stand

    Raises ConfigError for a role, a language or an address that cannot be used.
    """
    role = load_role(recipient.role, folder)
    speak = speaker(recipient.language, recipient.units)
    own = role.words.get(recipient.language, role.words.get("en", {}))
    if own:
        speak = replace(speak, words=replace(speak.words, sentences={**speak.words.sentences, **own}))
    subject = " ".join(_rendered(folder, f"{role.name}/subject.txt", view, speak).split())
    subject = subject.replace("\u00a0", " ").replace("\u202f", " ")
    if view.is_update:
        subject = speak.word("subject.update", subject=subject)
    shared = _shared({s.name: [speak.say(line) for line in (*s.advice, *s.tests)] for s in view.strips})
    tests = {speak.say(line) for s in view.strips for line in s.tests}
    pictures = _pictures(view, role, recipient, message_id)
    described = picture.described(view.paths, speak, role.picture_days) if view.paths and role.picture_days else ()
    shown: dict[str, Any] = {
        "subject": subject,
        "said_above": frozenset(shared),
        "is_all_shared": all(names is None for names in shared.values()),
        "shared": [_said_for_several(line, names, line in tests, speak) for line, names in shared.items()],
        "pictures": [(p.content_id, alt) for p, alt in zip(pictures, described, strict=True)],
    }
    text = plain.tidy(_rendered(folder, f"{role.name}/body.txt", view, speak, **shown))
    html = _fitting_html(folder, f"{role.name}/body.html", view, speak, **shown)
    raw = letter.raw_message(
        subject=subject,
        text=text,
        html=html,
        recipient=recipient,
        sender=sender,
        sender_name=f"gonogo {view.site}",
        reply_to=reply_to,
        message_id=message_id,
        date_utc=date_utc,
        language=recipient.language,
        pictures=pictures,
        calendars=calendar.files(view.entries, view.site, speak, organizer=sender, made_utc=date_utc)
        if role.has_calendar and view.entries
        else (),
    )
    return RenderedMail(subject=subject, text=text, html=html, raw=raw)


def _pictures(view: MorningView, role: Role, recipient: Recipient, message_id: str) -> tuple[letter.Picture, ...]:
    """Return the pictures of a mail, named so that no other mail has one of the same name."""
    if view.paths is None or not role.picture_days:
        return ()
    made = picture.pngs(view.paths, recipient.language, recipient.units, role.picture_days)
    mark = hashlib.sha256(message_id.encode()).hexdigest()[:24]
    return tuple(
        letter.Picture(content_id=f"moisture-{n}.{mark}@gonogo", png=png) for n, png in enumerate(made, start=1)
    )


def _fitting_html(folder: Path, template: str, view: MorningView, speak: Speaker, **shown: Any) -> str:
    """Return the HTML part, under HTML_BYTES_MAX: whole, else in brief, else with fewer strips and a word about it.

    The text part has every strip in any case.
    """
    n_strips = max(len(view.strips), len(view.rows), len(view.watering))
    halved = [n_strips >> halvings for halvings in range(n_strips.bit_length() + 1)]
    for is_brief, n_shown in ((False, n_strips), *((True, n) for n in halved)):
        page = _rendered(
            folder,
            template,
            replace(
                view,
                strips=view.strips[:n_shown],
                rows=view.rows[:n_shown],
                watering=view.watering[:n_shown],
                order=_cut(view.order, n_shown) if is_brief else view.order,
            ),
            speak,
            **shown,
            is_brief=is_brief,
            n_cut=n_strips - n_shown,
        )
        html = _inliner().inline(page)
        if len(html.encode()) < HTML_BYTES_MAX:
            return html
    return ""  # a plain-text mail is still a whole mail


def _cut(order: OrderView | None, n_works: int) -> OrderView | None:
    """Return the first works of an order, whole days as far as they go."""
    if order is None:
        return None
    days = []
    for day in order.days:
        if n_works > 0:
            days.append(replace(day, works=day.works[:n_works]))
        n_works -= len(day.works)
    return replace(order, days=tuple(days), today=next((d.works for d in days if d.is_today), ()), unplanned=())


@functools.cache
def _inliner() -> css_inline.CSSInliner:
    # Rules that ask about the theme or the width stay in the head; nothing is ever fetched.
    return css_inline.CSSInliner(keep_style_tags=False, keep_at_rules=True, load_remote_stylesheets=False)


@functools.cache
def _templates(folder: Path) -> jinja2.Environment:
    templates = jinja2.Environment(
        loader=jinja2.FileSystemLoader([folder, LAYOUT]),
        autoescape=jinja2.select_autoescape(enabled_extensions=("html",), default=False),
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    templates.filters |= {
        "wrap": plain.wrap,
        "hang": plain.hang,
        "capital": plain.capital,
        "loose": _loose,
        "web": _web_address,
    }
    return templates


def _rendered(
    folder: Path,
    template: str,
    view: MorningView,
    speak: Speaker,
    *,
    is_brief: bool = False,
    n_cut: int = 0,
    **shown: Any,
) -> str:
    """Return one template filled with the view. shown: what else it may name."""
    return (
        _templates(folder)
        .get_template(template)
        .render(
            view=view,
            say=speak.say,
            word=speak.word,
            has_word=speak.words.sentences.__contains__,
            language=speak.words.language,
            sentences=functools.partial(plain.sentences, speak),
            day_table=lambda: plain.day_table(view.days, view.rows, speak),
            is_brief=is_brief,
            n_cut=n_cut,
            **shown,
        )
    )


def _shared(lists: Mapping[str, Sequence[str]]) -> dict[str, tuple[str, ...] | None]:
    """Return the sentences that many of several lists hold, to be said once, with the names of the lists.

    None for the names where every list holds it. Nothing where there is one list.
    """
    found: dict[str, tuple[str, ...] | None] = {}
    for line in (line for lines in lists.values() for line in lines):
        names = tuple(name for name, lines in lists.items() if line in lines)
        is_all = len(names) == len(lists) > 1
        if is_all or SHARED_FROM <= len(names) <= SHARED_UP_TO:
            found[line] = None if is_all else names
    return found


def _said_for_several(line: str, names: Sequence[str] | None, is_test: bool, speak: Speaker) -> str:
    """Return a sentence that holds for many strips, with their names, None for all; a test is called one."""
    if is_test:
        line = speak.word("text.to_test", line=line)
    return line if names is None else speak.word("text.on_strips", strips=Names(items=tuple(names)), line=line)


def _loose(text: str) -> str:
    """Return text that may break between number and unit, for a narrow cell."""
    return text.replace(NO_BREAK, " ")


def _web_address(link: str) -> str:
    """Return the link if it is one for the web, else "" (a service's text must not become a script)."""
    try:
        parts = urlsplit(link)
    except ValueError:
        return ""
    return link if parts.scheme in ("http", "https") and parts.netloc else ""


def _refusal(key: str, value: str, wrong: str, right: str) -> ConfigError:
    return ConfigError([Fault(place="recipient", key=key, value=repr(value), wrong=wrong, right=right)])

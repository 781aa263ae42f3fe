"""A view, a role and a language become one mail: text, HTML, subject, bytes."""

from __future__ import annotations

import functools
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import css_inline
import jinja2

from gonogo.mail import calendar, letter, picture, reply_links
from gonogo.mail.items import BehindView, EntryView, MorningView, PlannerView
from gonogo.mail.letter import RenderedMail, plain_notice
from gonogo.mail.reply_lines import entry_line, told_then
from gonogo.mail.role import ROLES, Role, load_role, roles
from gonogo.records.site import Recipient
from gonogo.records.work_order import Work
from gonogo.wording import hour_bar, plain
from gonogo.wording.language import NO_BREAK, Speaker, speaker
from gonogo.wording.phrases import Names

__all__ = ["HTML_BYTES_MAX", "ROLES", "RenderedMail", "Role", "load_role", "message", "plain_notice", "roles"]

LAYOUT = Path(__file__).parent / "layout"
HTML_BYTES_MAX = 100_000  # some mail programs hide what comes after about this
SHARED_FROM, SHARED_UP_TO = 2, 6  # advice for as many strips as this is given once, with their names


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
    message_id         "<left@right>", the same for the same site, date, issue and recipient
    folder             where the roles stand

    Raises ConfigError for a role, a language or an address that cannot be used.
    """
    role = load_role(recipient.role, folder)
    speak = speaker(recipient.language, recipient.units)
    own = role.words.get(recipient.language, role.words.get("en", {}))
    if own:
        speak = replace(speak, words=replace(speak.words, sentences={**speak.words.sentences, **own}))
    answer = reply_links.answers(view, speak, role.name, address=reply_to, message_id=message_id)
    subject = " ".join(_rendered(folder, f"{role.name}/subject.txt", view, speak).split())
    subject = subject.replace("\u00a0", " ").replace("\u202f", " ")
    if view.is_update:
        subject = speak.word("subject.update", subject=subject)
    pictures = _pictures(view, role, recipient, message_id)
    described = picture.described(view.paths, speak, role.picture_days) if view.paths and role.picture_days else ()
    shared = _shared({s.name: [speak.say(line) for line in s.advice] for s in view.behind})
    shown: dict[str, Any] = {
        "subject": subject,
        "answer": answer,
        "said_above": frozenset(shared),
        "shared": [_said_for_several(line, names, speak) for line, names in shared.items()],
        "pictures": [(p.content_id, alt) for p, alt in zip(pictures, described, strict=True)],
    }
    text = plain.tidy(_rendered(folder, f"{role.name}/body.txt", view, speak, **shown))
    html = _fitting_html(folder, f"{role.name}/body.html", view, speak, **shown)
    entries = _entries(view, role.calendar)
    content = letter.Content(
        subject=subject,
        text=text,
        html=html,
        language=recipient.language,
        pictures=pictures,
        calendars=calendar.files(entries, view.site, speak, organizer=sender, made_utc=date_utc, day=view.day.day)
        if entries
        else (),
    )
    post = letter.Post(
        recipient=recipient,
        sender=sender,
        reply_to=reply_to,
        message_id=message_id,
        date_utc=date_utc,
        sender_name=f"gonogo {view.site}",
    )
    return RenderedMail(subject=subject, text=text, html=html, raw=letter.raw_message(post, content))


def _entries(view: MorningView, asked: str) -> tuple[EntryView, ...]:
    """Return the calendar entries that a role gets."""
    if asked == "today":
        return tuple(e for e in view.entries if e.day == view.day.day and e.kind == Work.WATERING)
    return view.entries if asked == "all" else ()


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
    n_strips = max(len(view.rows), len(view.grid), len(view.driver.cards))
    halved = [n_strips >> halvings for halvings in range(n_strips.bit_length() + 1)]
    for is_brief, n_shown in ((False, n_strips), *((True, n) for n in halved)):
        cut = replace(
            view,
            rows=view.rows[:n_shown],
            behind=view.behind[:n_shown],
            grid=view.grid[:n_shown],
            driver=replace(view.driver, cards=view.driver.cards[:n_shown]),
            planner=_cut(view.planner, n_shown) if is_brief else view.planner,
        )
        page = _rendered(folder, template, cut, speak, **shown, is_brief=is_brief, n_cut=n_strips - n_shown)
        html = _inliner().inline(page)
        if len(html.encode()) < HTML_BYTES_MAX:
            return html
    return ""  # a plain-text mail is still a whole mail


def _cut(planner: PlannerView, n_shown: int) -> PlannerView:
    """Return the first pieces of a planner's lists."""
    return replace(
        planner,
        asked=planner.asked[:n_shown],
        unplanned=planner.unplanned[:n_shown],
        halves=tuple(replace(half, lines=half.lines[:n_shown]) for half in planner.halves),
    )


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
        auto_reload=False,  # the files of a program at work do not change: no look at each of them for each mail
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
            headline=lambda: plain.sentences(speak, view.headline[0], view.headline[1:]),
            sky=lambda: " ".join(plain.capital(speak.say(line)) for line in (*view.rain, view.sky)),
            day_head=lambda day: speak.say(replace(day, form="head")),
            day_table=lambda: plain.day_table(view.days, view.grid, speak),
            bar_table=lambda: None if view.bar is None else hour_bar.table(view.bar, speak),
            bar_text=lambda: "" if view.bar is None else hour_bar.as_text(view.bar, speak),
            how_to_record=lambda: _how_to_record(view, speak, is_by_mail=shown.get("answer") is not None),
            own_advice=lambda strip: _own_advice(strip, speak, shown.get("said_above", frozenset())),
            is_brief=is_brief,
            n_cut=n_cut,
            **shown,
        )
    )


def _how_to_record(view: MorningView, speak: Speaker, *, is_by_mail: bool) -> str:
    """Return how what is missing is told, in the words that are read from an answer."""
    if (missing := view.to_record) is None:
        return ""
    example = entry_line(speak, missing.strip_id, missing.act, missing.litres)
    if is_by_mail and missing.told is not None:
        example += f" {told_then(speak, missing.told, missing.days_back)}"
    return speak.word("box.by_mail" if is_by_mail else "box.to_office", example=example)


def _own_advice(strip: BehindView, speak: Speaker, said_above: frozenset[str]) -> str:
    """Return the advice of one strip that is not said of several, as it follows other sentences."""
    own = [line for line in map(speak.say, strip.advice) if line not in said_above]
    return "".join(f" {line}" for line in own)


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


def _said_for_several(line: str, names: Sequence[str] | None, speak: Speaker) -> str:
    """Return a sentence that holds for many strips, with their names; without where it holds for all."""
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

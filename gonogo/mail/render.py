"""A view, a role and a language become one mail: text, HTML, subject, bytes."""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from urllib.parse import urlsplit

import css_inline
import jinja2

from gonogo.errors import Complaint, ConfigError
from gonogo.mail import letter, plain
from gonogo.mail.items import MorningView
from gonogo.mail.language import NO_BREAK, Sentence, Speaker, flat, speaker
from gonogo.mail.letter import RenderedMail, plain_notice
from gonogo.records import Recipient

__all__ = ["HTML_BYTES_MAX", "RenderedMail", "Role", "load_role", "message", "plain_notice", "roles"]

ROLES = Path(__file__).parent / "roles"
LAYOUT = Path(__file__).parent / "layout"
HTML_BYTES_MAX = 100_000  # some mail programs hide what comes after about this
_PARTS = ("role.toml", "subject.txt", "body.txt", "body.html")


@dataclass(frozen=True, slots=True, kw_only=True)
class Role:
    """One kind of reader. words: sentences that only this role uses, by language; English stands in for the others."""

    name: str
    reader: str
    words: Mapping[str, Mapping[str, Sentence]]


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
        return Role(name=name, reader=table["reader"], words=words)
    except (tomllib.TOMLDecodeError, KeyError) as fault:
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
    message_id         "<left@right>", the same for the same site, date, issue and recipient
    folder             where the roles stand

    Raises ConfigError for a role, a language or an address that cannot be used.
    """
    role = load_role(recipient.role, folder)
    speak = speaker(recipient.language, recipient.units)
    own = role.words.get(recipient.language, role.words.get("en", {}))
    if own:
        speak = replace(speak, words=replace(speak.words, sentences={**speak.words.sentences, **own}))
    subject = " ".join(_rendered(folder, f"{role.name}/subject.txt", view, speak, subject="").split())
    subject = subject.replace("\u00a0", " ").replace("\u202f", " ")
    if view.is_update:
        subject = speak.word("subject.update", subject=subject)
    common = _common([[speak.say(line) for line in s.advice] for s in view.strips])
    text = plain.tidy(_rendered(folder, f"{role.name}/body.txt", view, speak, subject=subject, common=common))
    html = _fitting_html(folder, f"{role.name}/body.html", view, speak, subject=subject, common=common)
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
    )
    return RenderedMail(subject=subject, text=text, html=html, raw=raw)


def _fitting_html(
    folder: Path, template: str, view: MorningView, speak: Speaker, *, subject: str, common: Sequence[str]
) -> str:
    """Return the HTML part, under HTML_BYTES_MAX: whole, else in brief, else with fewer strips and a word about it.

    The text part has every strip in any case.
    """
    n_strips = max(len(view.strips), len(view.rows), len(view.watering))
    halved = [n_strips >> halvings for halvings in range(n_strips.bit_length() + 1)]
    for is_brief, n_shown in ((False, n_strips), *((True, n) for n in halved)):
        page = _rendered(
            folder,
            template,
            replace(view, strips=view.strips[:n_shown], rows=view.rows[:n_shown], watering=view.watering[:n_shown]),
            speak,
            subject=subject,
            common=common,
            is_brief=is_brief,
            n_cut=n_strips - n_shown,
        )
        html = _inliner().inline(page)
        if len(html.encode()) < HTML_BYTES_MAX:
            return html
    return ""  # a plain-text mail is still a whole mail


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
        "capital": _capital,
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
    subject: str,
    common: Sequence[str] = (),
    is_brief: bool = False,
    n_cut: int = 0,
) -> str:
    """Return one template filled with the view."""
    return (
        _templates(folder)
        .get_template(template)
        .render(
            view=view,
            say=speak.say,
            word=speak.word,
            has_word=speak.words.sentences.__contains__,
            language=speak.words.language,
            common=common,
            day_table=lambda: plain.day_table(view, speak),
            subject=subject,
            is_brief=is_brief,
            n_cut=n_cut,
        )
    )


def _common(lists: Sequence[Sequence[str]]) -> tuple[str, ...]:
    """Return the sentences that stand in every one of several lists, to be said once; none where there is one list."""
    if len(lists) < 2:
        return ()
    return tuple(line for line in lists[0] if all(line in others for others in lists[1:]))


def _capital(sentence: str) -> str:
    """Return the sentence with its first letter raised, the rest as it is."""
    return sentence[:1].upper() + sentence[1:]


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
    return ConfigError([Complaint(place="recipient", key=key, value=repr(value), wrong=wrong, right=right)])

"""What is written back to an answer, in its writer's language: what was recorded, what was not understood, a question.

Plain text alone: what a stranger's mail said can become neither a header nor a page.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from gonogo.mail.letter import Content, Post, raw_message
from gonogo.mail.reply_lines import exact_litres, grammar_lines, marker_line
from gonogo.records.field import Entry, GaugeRain, GroundSeen, Reading, SurfaceWork, Watering
from gonogo.records.site import Recipient, Site, Strip
from gonogo.replies.grammar import Unread
from gonogo.soil.readings import METHOD_ERROR_PCT
from gonogo.units import KG_M3_PER_LB_FT3, METRE_PER_INCH, MM_PER_INCH
from gonogo.wording import phrases
from gonogo.wording.language import Speaker, speaker
from gonogo.wording.phrases import Amount, Gap, Moment, phrase
from gonogo.wording.reply_words import printed


@dataclass(frozen=True, slots=True, kw_only=True)
class Query:
    """Why an entry is asked about before it is recorded. key: a sentence reply.why_<key>, with its gaps."""

    key: str
    strip_id: str = ""
    number: int = 0
    before_pct: float = 0.0
    litres: float = 0.0
    depth_mm: float = 0.0
    rain_mm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplyText:
    """A subject with the lines below it."""

    subject: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Teller:
    """Tells one person of one site's entries. strips: those of this person, the example of how a line is written."""

    site: Site
    person: Recipient
    day: date
    strips: tuple[Strip, ...]

    @property
    def _says(self) -> Speaker:
        return speaker(self.person.language, self.person.units)

    def stored(
        self,
        entries: Sequence[tuple[int, Entry]],
        undone: Sequence[int],
        completed: Sequence[int],
        *,
        is_today_open: bool,
    ) -> ReplyText:
        """Tell what was recorded and taken back. entries: each with its number; completed: those they stand for."""
        says, language = self._says, self.person.language
        lines = [says.word("reply.stored", site=self.site.name)] if entries else []
        lines += [f"- {self.entry_text(number, entry)}" for number, entry in entries]
        lines += [says.word("reply.completed", number=str(number)) for number in completed]
        lines += [says.word("reply.undone", number=str(number)) for number in undone]
        lines.append(says.word("reply.follows" if is_today_open else "reply.later"))
        if entries:
            lines.append(says.word("reply.undo", undo=f"{printed(language, 'undo')} {entries[0][0]}"))
            return ReplyText(subject=says.word("reply.subject_stored", n=len(entries)), lines=tuple(lines))
        subject = says.word("reply.subject_undone", numbers=", ".join(str(n) for n in undone))
        return ReplyText(subject=subject, lines=tuple(lines))

    def unread(self, unread: Sequence[Unread]) -> ReplyText:
        """Tell which lines were not understood, and what would be right."""
        says = self._says
        lines = [says.word("reply.unread"), *(f"- {self._fault(fault)}" for fault in unread), says.word("reply.again")]
        return ReplyText(
            subject=says.word("reply.subject_unread"), lines=(*lines, *grammar_lines(says, self.strips[0].id))
        )

    def question(
        self, entries: Sequence[Entry], orders: Sequence[str], queries: Sequence[Query], *, is_proven: bool
    ) -> ReplyText:
        """Ask whether something is right before it is recorded. orders: words of the mail that are no entries."""
        says = self._says
        lines = [says.word("reply.question"), *(f"- {self.entry_text(0, entry)}" for entry in entries)]
        lines += [f"- {order}" for order in orders]
        lines += [] if is_proven else [says.word("reply.why_unproven")]
        lines += [self._query(query) for query in queries]
        return ReplyText(subject=says.word("reply.subject_question"), lines=(*lines, says.word("reply.confirm")))

    def order_done(self, order: str) -> ReplyText:
        """Tell that mails stop, or begin again."""
        says = self._says
        text = says.word("reply.started")
        if order == "stop":
            text = says.word("reply.stopped", start=printed(self.person.language, "start"))
        subject = "reply.subject_stop" if order == "stop" else "reply.subject_start"
        return ReplyText(subject=says.word(subject), lines=(text,))

    def entry_text(self, number: int, entry: Entry) -> str:
        """Return an entry with its number, strip, value, unit and time. number: 0 where it has none yet."""
        says = self._says
        shown: dict[str, Gap] = {"number": str(number) if number else "?", "at": self._at(_moment_of(entry))}
        match entry:
            case Reading():
                method = printed(self.person.language, entry.method) if entry.method in METHOD_ERROR_PCT else ""
                method = method or entry.method
                if entry.depth_mm is not None:
                    depth = says.say(_thickness(entry.depth_mm / 1000.0))
                    method = f"{method}, {printed(self.person.language, 'top')} {depth}"
                shown |= {"strip": entry.strip_id, "w_pct": _pct(entry.w_pct), "method": method}
                if entry.dry_density_kg_m3 is None:
                    return says.word("reply.reading", **shown)
                return says.word("reply.reading_density", density=_density(entry.dry_density_kg_m3), **shown)
            case Watering():
                return says.word("reply.watering", strip=entry.strip_id, litres=exact_litres(entry.litres), **shown)
            case GaugeRain():
                return says.word("reply.rain", rain=_rain(entry.rain_mm), since=self._at(entry.from_utc), **shown)
            case SurfaceWork(passes=int(passes)):
                work = printed(self.person.language, entry.work)
                return says.word("reply.work_passes", strip=entry.strip_id, work=work, n=passes, **shown)
            case GroundSeen():
                word = printed(self.person.language, entry.state)
                seen = word if entry.lying_mm is None else f"{word} {says.say(_thickness(entry.lying_mm / 1000.0))}"
                return says.word("reply.work", strip=entry.strip_id, work=seen, **shown)
            case _:
                word = printed(self.person.language, str(getattr(entry, "work", getattr(entry, "result", ""))))
                thickness_m = getattr(getattr(entry, "spread", None), "thickness_m", None)
                work = word if thickness_m is None else f"{word} {says.say(_thickness(thickness_m))}"
                return says.word("reply.work", strip=entry.strip_id, work=work, **shown)

    def _fault(self, fault: Unread) -> str:
        says, language = self._says, self.person.language
        words = {"rain": printed(language, "rain"), "yesterday": printed(language, "yesterday"), "what": fault.what}
        words["watered"] = printed(language, "watered")
        words["methods"] = ", ".join(printed(language, method) for method in METHOD_ERROR_PCT)
        text = phrase(f"reply_fault.{fault.key}", **words)
        return says.word("reply_fault.line", line=fault.line, fault=text) if fault.line else says.say(text)

    def _query(self, query: Query) -> str:
        gaps: dict[str, Gap] = {
            "strip": query.strip_id or printed(self._says.words.language, "rain"),
            "number": str(query.number),
            "before": _pct(query.before_pct),
            "litres": exact_litres(query.litres),
            "depth": Amount(metric=(query.depth_mm, 2, "mm"), us=(query.depth_mm / MM_PER_INCH, 3, "in")),
            "rain": _rain(query.rain_mm),
        }
        return self._says.word(f"reply.why_{query.key}", **gaps)

    def _at(self, at_utc: datetime) -> Moment:
        return phrases.moment(at_utc, self.site.zone, self.day, step_min=1)


def _moment_of(entry: Entry) -> datetime:
    return entry.until_utc if isinstance(entry, GaugeRain) else entry.at_utc


def _pct(w_pct: float) -> Amount:
    decimals = 1 if round(w_pct, 1) == round(w_pct, 4) else 2
    return Amount(metric=(round(w_pct, decimals), decimals, "%"), us=(round(w_pct, decimals), decimals, "%"))


def _rain(rain_mm: float) -> Amount:
    return Amount(metric=(round(rain_mm, 1), 1, "mm"), us=(round(rain_mm / MM_PER_INCH, 2), 2, "in"))


def _thickness(thickness_m: float) -> Amount:
    return Amount(
        metric=(float(round(thickness_m * 1000.0)), 0, "mm"), us=(round(thickness_m / METRE_PER_INCH, 1), 1, "in")
    )


def _density(density_kg_m3: float) -> Amount:
    return Amount(
        metric=(float(round(density_kg_m3)), 0, "kg/m³"),
        us=(round(density_kg_m3 / KG_M3_PER_LB_FT3, 1), 1, "lb/ft³"),
    )


def _paragraphs(lines: Sequence[str]) -> str:
    """Return lines as text, with a blank line between them but inside a list."""
    text = lines[0]
    for line in lines[1:]:
        text += f"\n{line}" if line.startswith(("- ", "  ")) else f"\n\n{line}"
    return text + "\n"


def raw_answer(written: ReplyText, post: Post, *, in_reply_to: str) -> bytes:
    """Return the mail that answers, below the one that it answers where that has a name of its own."""
    person = post.recipient
    text = _paragraphs((marker_line(speaker(person.language, person.units)), *written.lines))
    raw = raw_message(post, Content(subject=written.subject, text=text, language=person.language))
    is_plain = in_reply_to.isascii() and in_reply_to.isprintable() and len(in_reply_to) <= 200
    if is_plain and in_reply_to.startswith("<") and in_reply_to.endswith(">") and " " not in in_reply_to:
        raw = f"In-Reply-To: {in_reply_to}\r\nReferences: {in_reply_to}\r\n".encode() + raw
    return raw

"""One line of an answer as the entry that was meant, or why it is not one. A line is understood whole or not at all.

N3 11.2                          a moisture test, by the method of the last one
N3 11,2 gauge top 100 mm 8:40    method, depth from the top, time today
N3 14 carbide wet basis          percent of the mass before drying
N3 11.2 1740 kg/m3               with its dry density; or 95.8% of the maximum
N2 watered 6950 gal 8:40
N1 rolled 6          N1 sealed          N1 disked          N3 spread 0.25 m
N1 accepted          N1 rework
N1 snow 8 cm         N1 cleared         N1 pond 30 mm      N1 drained
N1 slick             N1 frozen          N1 firm
rain 4.5 since 18:00
undo 17              stop               start              yes
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from gonogo.records.field import WITH_DEPTH
from gonogo.records.site import Strip
from gonogo.replies.clocks import clocks_of
from gonogo.replies.parts import (
    COMPACTION_PCT,
    NotReadError,
    Parts,
    Reader,
    at_most_one,
    depth_m_of,
    one_amount,
    value_of,
)
from gonogo.replies.tokens import Token, Word, tokens
from gonogo.soil.readings import METHOD_ERROR_PCT
from gonogo.wording.reply_words import ACTS, GROUND, folded

ALONE = ("undo", "stop", "start", "yes")
LONGEST_LINE = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplyLine:
    """One line that was understood.

    kind      "reading", "watering", "surface", "ground", "rain", "undo", "stop", "start" or "yes"
    amounts   SI by name: w_pct, dry_density_kg_m3, compaction_pct, depth_m, litres, rain_m, thickness_m, lying_m,
              passes, number
    clocks    wall-clock candidates of when it happened, none where it was not said; several are settled by the day
    since     the same for when a gauge was emptied
    """

    line: str
    kind: str
    strip_id: str = ""
    work: str = ""
    method: str = ""
    basis: str = ""
    amounts: Mapping[str, float] = field(default_factory=dict)
    clocks: tuple[datetime, ...] = ()
    since: tuple[datetime, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Unread:
    """One line that was not understood. key: a sentence reply_fault.<key>; what: its gap {what}."""

    line: str
    key: str
    what: str = ""


def read(line: str, strips: Iterable[Strip], reader: Reader, now_local: datetime) -> ReplyLine | Unread:
    """Return what a line says. now_local: the writer's moment on the site's clock."""
    text = line.strip().removeprefix("* ").removeprefix("• ").strip()
    try:
        if len(text) > LONGEST_LINE:
            raise NotReadError("too_long")
        return _read(text, line, strips, reader, now_local)
    except NotReadError as fault:
        return Unread(line=line.strip()[:LONGEST_LINE], key=fault.key, what=fault.what)


def _read(text: str, line: str, strips: Iterable[Strip], reader: Reader, now_local: datetime) -> ReplyLine:
    found = strip_of(text, strips)
    if found is None:
        pieces = tokens(text, reader.marks)
        first = pieces[0] if pieces else None
        meaning = first.meaning if isinstance(first, Word) else ""
        if meaning == "rain":
            return _rain(line, pieces[1:], reader, now_local)
        if meaning in ALONE:
            return _alone(line, meaning, pieces[1:], reader)
        raise NotReadError("no_strip", text.split()[0] if text.split() else "")
    strip_id, rest = found
    if others := [id_ for word in rest.split() if (id_ := _named(word, strips)) not in ("", strip_id)]:
        raise NotReadError("two_things", f"{strip_id}, {others[0]}")
    parts = Parts(tokens(rest, reader.marks))
    acts = parts.take_words(ACTS)
    if len(acts) > 1:
        raise NotReadError("two_things", f"{acts[0].text}, {acts[1].text}")
    clocks = clocks_of(parts, reader, now_local)
    if not acts:
        return _reading(line, strip_id, parts, reader, clocks)
    act = acts[0].meaning
    if act == "watered":
        amounts = {"litres": one_amount(parts, reader, "litres", bare="litres" if reader.units == "metric" else "gal")}
        kind = "watering"
    elif act in GROUND:
        amounts, kind = _lying(act, parts, reader), "ground"
    else:
        amounts, kind = _work_amounts(act, parts, reader), "surface"
    parts.require_empty()
    return ReplyLine(line=line, kind=kind, strip_id=strip_id, work=act, amounts=amounts, clocks=clocks)


def strip_of(text: str, strips: Iterable[Strip]) -> tuple[str, str] | None:
    """Return the id of the strip that a text begins with, in any case or by name, and the rest; None where it has none.

    Raises NotReadError where a name belongs to two strips.
    """
    words, hits = text.split(), []
    for strip in strips:
        for form in (strip.id, strip.name, f"{strip.id} {strip.name}"):
            n_words = len(form.split())
            if n_words and folded(" ".join(words[:n_words]).rstrip(":,;")) == folded(form):
                hits.append((n_words, strip.id))
    if not hits:
        return None
    longest = max(n_words for n_words, _ in hits)
    ids = {strip_id for n_words, strip_id in hits if n_words == longest}
    if len(ids) > 1:
        raise NotReadError("two_strips", ", ".join(sorted(ids)))
    return ids.pop(), " ".join(words[longest:])


def _named(word: str, strips: Iterable[Strip]) -> str:
    """Return the id of the strip that a word in the middle of a line is; "" for an id of digits alone, which may be any
    number."""
    plain = folded(word.strip(",;.:/&+"))
    return next((s.id for s in strips if not s.id.isdigit() and plain == folded(s.id)), "")


def _reading(line: str, strip_id: str, parts: Parts, reader: Reader, clocks: tuple[datetime, ...]) -> ReplyLine:
    amounts: dict[str, float] = {}
    if litres := parts.take_numbers("litres"):
        raise NotReadError("no_act", litres[0].text)
    if (depth := parts.take_number_after("top")) is not None:
        amounts["depth_m"] = depth_m_of(depth, reader)
    methods = parts.take_words(METHOD_ERROR_PCT)
    if len(methods) > 1:
        raise NotReadError("two_things", f"{methods[0].text}, {methods[1].text}")
    bases = parts.take_words(("wet", "dry"))
    if len(bases) > 1:
        raise NotReadError("two_things", f"{bases[0].text}, {bases[1].text}")
    for density in at_most_one(parts.take_numbers("density")):
        amounts["dry_density_kg_m3"] = value_of(density, "density", reader)
    shares = [(n, value_of(n, "share", reader)) for n in parts.take_numbers("pct")]
    compactions = [(n, v) for n, v in shares if v > COMPACTION_PCT[0]]
    for _, value in at_most_one(compactions):
        amounts["compaction_pct"] = value
    contents = [(n, v) for n, v in shares if v <= COMPACTION_PCT[0]]
    contents += [(n, value_of(n, "pct", reader)) for n in parts.take_numbers("")]
    for _, value in at_most_one(contents):
        amounts["w_pct"] = value
    parts.require_empty()
    if not {"w_pct", "compaction_pct", "dry_density_kg_m3"} & set(amounts):
        raise NotReadError("no_value")
    if {"compaction_pct", "dry_density_kg_m3"} <= set(amounts):
        raise NotReadError("two_things", "%")
    method = methods[0].meaning if methods else ""
    basis = bases[0].meaning if bases else ""
    reading = ReplyLine(line=line, kind="reading", strip_id=strip_id, method=method, basis=basis, amounts=amounts)
    return replace(reading, clocks=clocks)


def _work_amounts(act: str, parts: Parts, reader: Reader) -> dict[str, float]:
    """Return passes of a roller's work, and the thickness of a spread lift."""
    if act == "spread":
        if bare := parts.take_numbers(""):
            raise NotReadError("no_unit", bare[0].text)
        found = at_most_one(parts.take_numbers("length"))
        return {"thickness_m": value_of(found[0], "length", reader)} if found else {}
    if act not in ("rolled", "sealed"):
        return {}
    parts.take_words(("passes",))
    passes_found = at_most_one(parts.take_numbers(""))
    if not passes_found:
        return {}
    passes = value_of(passes_found[0], "passes", reader)
    if not passes.is_integer():
        raise NotReadError("whole_number", f"{passes:g}")
    return {"passes": passes}


def _lying(state: str, parts: Parts, reader: Reader) -> dict[str, float]:
    """Return how deep snow or a pond lies; nobody guesses whether a bare number is of millimetres or inches."""
    if state not in WITH_DEPTH:
        return {}
    if bare := parts.take_numbers(""):
        raise NotReadError("no_unit", bare[0].text)
    found = at_most_one(parts.take_numbers("length"))
    if not found:
        raise NotReadError("no_lying")
    return {"lying_m": value_of(found[0], "lying", reader)}


def _rain(line: str, pieces: Sequence[Token], reader: Reader, now_local: datetime) -> ReplyLine:
    parts = Parts(pieces)
    tail = parts.split_at("since")
    since: tuple[datetime, ...] = ()
    if tail is not None:
        times = Parts(tail)
        since = clocks_of(times, reader, now_local)
        times.require_empty()
        if not since:
            raise NotReadError("time", " ".join(getattr(piece, "text", "") for piece in tail))
    clocks = clocks_of(parts, reader, now_local)
    rain_m = one_amount(parts, reader, "length", bare="mm" if reader.units == "metric" else "in")
    parts.require_empty()
    return ReplyLine(line=line, kind="rain", amounts={"rain_mm": rain_m * 1000.0}, clocks=clocks, since=since)


def _alone(line: str, meaning: str, pieces: Sequence[Token], reader: Reader) -> ReplyLine:
    parts = Parts(pieces)
    amounts = {}
    if meaning == "undo":
        found = parts.take_numbers("")
        if len(found) != 1 or not found[0].text.isdigit():
            raise NotReadError("undo_number")
        amounts["number"] = float(found[0].text)
    parts.require_empty()
    return ReplyLine(line=line, kind=meaning, amounts=amounts)

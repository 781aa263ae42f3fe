"""The first screen of a mail: the answer in few words, what nobody recorded, rain, what to know of the forecast."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from gonogo.decide.plan_keys import RESULT_IN
from gonogo.mail.items import StripRow, ToRecord
from gonogo.mail.morning import Morning
from gonogo.records.day_plan import Badge, NotRecorded, Task
from gonogo.weather.forecast_status import ForecastStatus
from gonogo.wording import phrases
from gonogo.wording.clock import Clock
from gonogo.wording.hour_bar import rain_coming
from gonogo.wording.instruction import Instruction, short_name, told_at
from gonogo.wording.items import SkyView
from gonogo.wording.notes import note_phrase
from gonogo.wording.phrases import Day, Gap, Moment, Names, Number, Phrase, phrase

NAMES_AT_MOST = 4  # a headline with more names than this counts them instead
WET_NIGHT_MM = 1.0  # rain since the last shift that is the first news of the day
WORTH_SAYING = 20.0  # a smaller chance of rain is not worth a word at half past five [%]
ACTS_OF = {Task.WATER: "watered", Task.ROLL: "rolled", Task.DISK: "disked"}  # words of wording/reply_words.ACTS
CLOCK_NOTES = ("clock_ahead", "clock_behind")


def headline(morning: Morning, rows: Sequence[StripRow], sky: SkyView | None) -> tuple[Phrase, ...]:
    """Return the day in a few short sentences: rain that fell, the sky, what is rolled, by when it is sealed."""
    plan = morning.plan
    if not plan.is_knowable:
        return (phrase("head.no_verdict"),)
    found = []
    fallen = phrases.amount("rain_mm", plan.fallen_mm)
    is_wet = plan.fallen_mm >= WET_NIGHT_MM
    if is_wet and plan.fallen_since_utc is not None:
        found.append(phrase("head.fallen", rain=fallen, since=morning.clock.near(plan.fallen_since_utc)))
    found.append(_sky(morning, sky))
    found += _work([row.instruction for row in rows])
    sealings = [sealing for crew in morning.crews if (sealing := plan.sealing(crew.id)) is not None]
    seal = min(sealings, key=lambda sealing: sealing.by_utc, default=None)
    if seal is not None:
        found.append(phrase("head.seal", by=morning.clock.near(seal.by_utc, "earlier")))
    return tuple(found)


def _sky(morning: Morning, sky: SkyView | None) -> Phrase:
    plan = morning.plan
    today = [s for s in plan.rain if s.from_utc < _midnight(plan.shift_end_utc, morning.clock)]
    if today and today[0].from_utc <= plan.made_utc:
        return phrase("head.raining")
    if today:
        return phrase("head.dry_until", start=morning.clock.near(today[0].from_utc))
    if sky is not None and sky.rain_chance.pct >= WORTH_SAYING:
        return phrase("head.rain_possible", chance=sky.rain_chance)
    return phrase("head.dry")


def _midnight(at_utc: datetime, clock: Clock) -> datetime:
    local = at_utc.astimezone(clock.site.zone)
    return at_utc + timedelta(hours=24 - local.hour, minutes=-local.minute) if local.hour else at_utc


def _work(instructions: Sequence[Instruction]) -> Iterator[Phrase]:
    """Yield what is rolled, in the order in which it is, and what is tested first."""
    rolled = sorted((t for t in instructions if t.roll is not None), key=lambda t: t.roll.start.at_local.timestamp())  # type: ignore[union-attr]
    as_it_lies = [t for t in rolled if t.badge == Badge.COMPACT]
    watered = [t for t in rolled if t.badge == Badge.WATER_FIRST]
    tested = [t for t in instructions if t.badge == Badge.TEST]
    if as_it_lies and watered:
        yield phrase("head.roll_both", strips=_named(as_it_lies), watered=_named(watered))
    elif as_it_lies:
        yield phrase("head.roll", strips=_named(as_it_lies))
    elif watered:
        yield phrase("head.roll_watered", watered=_named(watered))
    elif not tested:
        yield phrase("head.nothing")
    asked = [t for t in tested if t.test is None or t.test.why != RESULT_IN]
    if asked:
        first = [t.test.by for t in asked if t.test is not None and t.test.by is not None]
        if first:
            by = min(first, key=lambda m: m.at_local.timestamp())
            # One without an hour may be made at any: only what all share is told of all.
            is_one = len(first) == len(asked) and all(moment.at_local == by.at_local for moment in first)
            yield phrase("head.test_by" if is_one else "head.test_first_by", strips=_named(asked), by=by)
        else:
            yield phrase("head.test", strips=_named(asked))


def _named(instructions: Sequence[Instruction]) -> Names | Phrase:
    """Return the strips by their short names, or how many they are where names would fill the line."""
    return _listed(tuple(t.short for t in instructions))


def _listed(names: tuple[str, ...]) -> Names | Phrase:
    return Names(items=names) if len(names) <= NAMES_AT_MOST else phrase("headline.strips", n=len(names))


def seals(morning: Morning) -> tuple[Phrase, ...]:
    """Return what each crew seals, from when, by when and with which machine, and why."""
    clock, own = morning.clock, morning.strips
    known = (r for crew in morning.site.crews for r in (*crew.rollers, crew.sealing_roller) if r is not None)
    rollers = {roller.id: roller.name for roller in known}
    found = []
    for crew in morning.crews:
        sealing = morning.plan.sealing(crew.id)
        if sealing is None:
            continue
        strips = tuple(short_name(own[strip_id]) for strip_id in sealing.strips if strip_id in own)
        span = clock.span(sealing.start_utc, sealing.by_utc)
        assert span is not None, "a sealing has both ends"
        gaps: dict[str, Gap] = {
            "strips": _listed(strips),
            "span": replace(span, is_brief=True),
            "why": phrase(f"seal_cause.{sealing.why}"),
        }
        if [sealing.roller_id] == [roller.id for roller in crew.rollers]:
            found.append(phrase("row.seal", **gaps))
        else:
            roller = rollers.get(sealing.roller_id, sealing.roller_id)
            found.append(phrase("row.seal_with", roller=roller, **gaps))
    return tuple(found)


# --- what nobody recorded ------------------------------------------------------------------------------------------


def box(morning: Morning, rows: Sequence[StripRow]) -> tuple[Phrase, ...]:
    """Return what nobody recorded, strip by strip, and that nothing is done twice; nothing where nothing is missing."""
    by_id = {row.instruction.strip_id: row.instruction for row in rows}
    clock = morning.clock
    works = [
        (by_id[strip_plan.strip_id], work, work.lift if work.is_of_coming(strip_plan.lift) else 0)
        for strip_plan in morning.strip_plans
        if strip_plan.strip_id in by_id
        for work in strip_plan.not_recorded
    ]
    told = tuple(_told_works(works, clock))
    found = [phrase("box.told", works=Names(items=told))] if told else []
    since: dict[Moment, list[str]] = {}
    for strip_plan in morning.strip_plans:
        of = by_id.get(strip_plan.strip_id)
        if of is None or not _lacks_water(morning, of) or any(w.task == Task.WATER for w in strip_plan.not_recorded):
            continue
        called = called_since(morning, strip_plan.strip_id)
        if called is not None:
            since.setdefault(called, []).append(of.short)
    found += [phrase("box.no_water", strips=Names(items=tuple(names)), since=at) for at, names in since.items()]
    if not found:
        return ()
    return (*found, phrase("box.once"))


def _lacks_water(morning: Morning, of: Instruction) -> bool:
    """Return whether water of today is told for a strip and not on record.

    An order whose rolling may have begun stands, also once its water was recorded.
    """
    if of.badge != Badge.WATER_FIRST:
        return False
    plan, strip_plan = morning.plan, morning.plan.strip(of.strip_id)
    jobs = [job for job in plan.jobs_of(of.strip_id) if job.task == Task.WATER]
    put_on_utc = None if strip_plan is None else strip_plan.watered_utc
    is_begun = bool(jobs) and all(job.start_utc <= plan.made_utc for job in jobs)
    is_put_on = put_on_utc is not None and put_on_utc.astimezone(morning.clock.site.zone).date() == plan.day
    return not (is_begun and is_put_on)


def to_record(morning: Morning, rows: Sequence[StripRow]) -> ToRecord | None:
    """Return one entry that nobody made, with the litres that were told; None where none is missing."""
    by_id = {row.instruction.strip_id: row.instruction for row in rows}
    for strip_plan in morning.strip_plans:
        for work in strip_plan.not_recorded if strip_plan.strip_id in by_id else ():
            litres = phrases.amount("litres", work.litres) if work.task == Task.WATER else None
            act = "spread" if work.is_of_coming(strip_plan.lift) else ACTS_OF[work.task]
            entry = ToRecord(strip_id=strip_plan.strip_id, act=act, litres=litres)
            told = phrases.moment(work.start_utc, morning.clock.site.zone, morning.plan.day)
            days_back = (morning.plan.day - told.at_local.date()).days
            return replace(entry, told=told, days_back=days_back) if days_back > 0 else entry
    watered = next((of for of in by_id.values() if _lacks_water(morning, of)), None)
    return None if watered is None else ToRecord(strip_id=watered.strip_id, act="watered", litres=watered.litres)


def _told_works(works: Sequence[tuple[Instruction, NotRecorded, int]], clock: Clock) -> Iterator[Phrase]:
    """Yield told work that is not recorded, of one kind and day together; lift: to be spread for it first, or 0."""
    groups: dict[tuple[Task, int, object], list[tuple[Instruction, NotRecorded]]] = {}
    for of, work, lift in works:
        day = work.start_utc.astimezone(clock.site.zone).date()
        groups.setdefault((work.task, lift, day), []).append((of, work))
    for (task, lift, _), group in groups.items():
        first = min((told_at(work, clock) for _, work in group), key=lambda at: at.at_local.timestamp())
        strips = Names(items=tuple(of.short for of, _ in group))
        if lift:
            yield phrase("box.roll_lift", strips=strips, lift=Number(value=float(lift)), start=first)
        else:
            yield phrase(f"box.{task}", strips=strips, start=first)


def called_since(morning: Morning, strip_id: str) -> Moment | None:
    """Return since when no water is on record for a strip: its last test or water, or the hour it was told for."""
    strip_plan = morning.plan.strip(strip_id)
    if strip_plan is None:
        return None
    water = [work.start_utc for work in strip_plan.not_recorded if work.task == Task.WATER]
    if water:
        return morning.clock.near(min(water))
    if strip_plan.watered_utc is not None:
        return morning.clock.near(strip_plan.watered_utc)
    return None if strip_plan.last_test is None else morning.clock.near(strip_plan.last_test.at_utc)


# --- rain and forecast ---------------------------------------------------------------------------------------------


def rain(morning: Morning) -> tuple[Phrase, ...]:
    """Return the rain since the last shift and the rain still to come, kept apart."""
    plan, clock = morning.plan, morning.clock
    if not plan.is_knowable:
        return ()
    found = []
    if plan.fallen_since_utc is not None and not math.isnan(plan.fallen_mm):
        fallen, since = phrases.amount("rain_mm", plan.fallen_mm), clock.near(plan.fallen_since_utc)
        if fallen.metric[0] == 0.0:
            found.append(phrase("rain.none_fallen", since=since))
        else:
            found.append(phrase("rain.fallen", rain=fallen, since=since))
    until = plan.next_shift_utc
    if not plan.rain:
        found.append(_none_coming(None if until is None else clock.near(until)))
        return tuple(found)
    coming = tuple(
        phrase(
            "rain.spell",
            rain=rain_coming(spell),
            span=phrases.Span(start=clock.near(spell.from_utc), end=clock.near(spell.until_utc), is_brief=True),
            chance=phrases.chance(spell.chance),
        )
        for spell in plan.rain
    )
    return (*found, phrase("rain.coming", spells=Names(items=coming)))


def _none_coming(until: Moment | None) -> Phrase:
    return phrase("rain.none_coming") if until is None else phrase("rain.none_until", until=until)


def pause(morning: Morning) -> tuple[Phrase, ...]:
    """Return what days off follow beside the usual weekend, and when work goes on."""
    plan = morning.plan
    off = plan.pause
    if off is None:
        return ()
    gaps: dict[str, Gap] = {"first": Day(day=off.first_day), "names": Names(items=off.names)}
    if off.last_day is not None:
        gaps["last"] = Day(day=off.last_day)
    if off.why == "holiday":
        key = "off" if off.last_day == off.first_day else "long"
    else:
        key = "stop_open" if off.why == "stop" and off.last_day is None else off.why
    said = phrase(f"pause.{key}_named" if off.names else f"pause.{key}", **gaps)
    until = plan.next_shift_utc
    return (said,) if until is None else (said, phrase("pause.next", start=morning.clock.at(until)))


def alarm(morning: Morning, sky: SkyView | None) -> Phrase | None:
    """Return what a reader must know of the forecast before all else: a wrong clock, none, or an old one."""
    weather = morning.weather
    wrong = next((n for n in weather.notes if n.key in CLOCK_NOTES), None) if weather is not None else None
    if wrong is not None:
        return note_phrase(wrong, morning.clock)
    if weather is None or sky is None or weather.status == ForecastStatus.NONE:
        return phrase("alarm.no_forecast")
    if sky.is_old:
        return phrase("text.forecast_old", service=sky.service, fetched=sky.fetched, age=sky.age)
    return None


def basis(morning: Morning, sky: SkyView | None) -> Phrase:
    """Return the zone of all times and how old the forecast is."""
    zone = morning.site.zone.key
    if sky is None or alarm(morning, sky) is not None:
        return phrase("text.zone", zone=zone)
    return phrase("text.zone_and_age", age=sky.age)


def sky_line(sky: SkyView | None) -> Phrase:
    """Return temperatures and wind of the day, with the first frost."""
    if sky is None:
        return phrase("text.weather_none")
    gaps: dict[str, Gap] = {"low": sky.temp_low, "high": sky.temp_high, "wind": sky.wind}
    if sky.frost_from is not None:
        return phrase("text.sky_frost", start=sky.frost_from, **gaps)
    return phrase("text.sky", **gaps)

"""The driver's card: each strip that gets water today, as it is worked from the cab."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta

from gonogo.decide.water.spraying import first_drop_h, lanes
from gonogo.mail.first_screen import called_since
from gonogo.mail.items import CardView, DriverView, StripRow
from gonogo.mail.morning import Morning
from gonogo.records.day_plan import Badge, Job, Task
from gonogo.records.site import Strip, Truck
from gonogo.records.verdict import Decision, WaterPlan
from gonogo.wording import phrases, sentences
from gonogo.wording.instruction import Instruction
from gonogo.wording.phrases import Amount, Gap, Names, Phrase, phrase

NAMES_AT_MOST = 4
SAID_ELSEWHERE = frozenset(("bar_overhangs", "retest_after_watering"))  # said by other lines of the card


def driver_view(morning: Morning, rows: Sequence[StripRow]) -> DriverView:
    """Return what a driver does today: with the one truck of `morning.truck_id`, else with all trucks of the crews."""
    trucks = {truck.id: truck for crew in morning.crews for truck in crew.trucks}
    decisions = {d.strip_id: d for d in morning.decisions}
    instructions = {row.instruction.strip_id: row.instruction for row in rows}
    jobs = [
        j
        for j in morning.plan.jobs
        if j.task in (Task.WATER, Task.DAMP) and j.strip_id in instructions and j.end_utc > morning.plan.made_utc
    ]
    driven = [
        j for j in jobs if j.water is not None and j.machine_id in trucks and morning.truck_id in ("", j.machine_id)
    ]
    used = {job.machine_id for job in driven}
    own = morning.strips
    cards = tuple(
        _card(
            morning,
            job,
            instructions[job.strip_id],
            own[job.strip_id],
            trucks[job.machine_id],
            decisions.get(job.strip_id),
            names_truck=len(used) > 1,
        )
        for job in driven
    )
    # By another driver's truck too, or since a test called for it: nobody is told to leave those dry.
    told, called = {job.strip_id for job in jobs}, _called(morning)
    watered = told | called
    as_called = tuple(of.short for strip_id, of in instructions.items() if strip_id in called - told)
    dry = tuple(row.instruction.short for row in rows if row.instruction.strip_id not in watered)
    return DriverView(
        headline=_headline(morning, cards, as_called),
        subject=_subject(cards, as_called),
        truck=_truck(trucks[used.pop()]) if len(used) == 1 else None,
        cards=cards,
        called=phrase("card.called", strips=Names(items=as_called)) if as_called and morning.plan.is_knowable else None,
        leave=_leave(dry, has_others=bool(watered)) if dry and morning.plan.is_knowable else None,
        haul_road=_haul_road(morning) if cards else None,
        stop=_stop(morning),
    )


def _called(morning: Morning) -> set[str]:
    """Return the strips that a test or an earlier mail of today called water for, and nobody recorded any."""
    since_utc = morning.plan.shift_start_utc
    return {
        strip.strip_id
        for strip in morning.plan.strips
        if strip.badge == Badge.TEST  # a strip that waits for dry weather is left alone
        for work in strip.not_recorded
        if work.task == Task.WATER and work.start_utc >= since_utc
    }


def _truck(truck: Truck) -> Phrase:
    return phrase("card.truck", truck=truck.name, tank=phrases.amount("litres", truck.tank_litres))


def _haul_road(morning: Morning) -> Phrase | None:
    """Return what haul roads take of the truck's time and water until the end of the shift, None where nothing."""
    litres_h, plan = morning.haul_road_litres_h, morning.plan
    left_h = (plan.shift_end_utc - max(plan.shift_start_utc, plan.made_utc)) / timedelta(hours=1)
    if not litres_h > 0.0 or left_h <= 0.0:
        return None
    total = phrases.amount("litres", litres_h * left_h)
    return phrase("card.haul_road", litres=phrases.amount("litres", litres_h), total=total)


def _leave(dry: tuple[str, ...], *, has_others: bool) -> Phrase:
    """Return which strips get nothing. has_others: some do, or may."""
    if len(dry) <= NAMES_AT_MOST:
        return phrase("card.leave", strips=Names(items=dry))
    return phrase("card.leave_others" if has_others else "card.leave_all")


def _headline(morning: Morning, cards: Sequence[CardView], called: tuple[str, ...]) -> Phrase:
    if not morning.plan.is_knowable:
        return phrase("text.driver_no_verdict")
    if not cards and called:
        return phrase("text.driver_called", strips=Names(items=called))
    if not cards:
        return phrase("text.driver_none")
    finish = max((card.instruction.water.end for card in cards if card.instruction.water), key=lambda m: m.at_local)
    return phrase("card.headline", finish=finish, **_sums(cards))


def _subject(cards: Sequence[CardView], called: tuple[str, ...]) -> Phrase | None:
    if not cards:
        return phrase("card.subject_called", strips=Names(items=called)) if called else None
    return phrase("card.subject", **_sums(cards))


def _sums(cards: Sequence[CardView]) -> dict[str, Gap]:
    """Return the strips of some cards, their loads and their litres."""
    return {
        "strips": _named(tuple(card.instruction.short for card in cards)),
        "n": sum(len(card.loads) for card in cards),
        "litres": phrases.total(tuple(card.instruction.litres for card in cards if card.instruction.litres)),
    }


def _named(names: tuple[str, ...]) -> Names | Phrase:
    return Names(items=names) if len(names) <= NAMES_AT_MOST else phrase("headline.strips", n=len(names))


def _card(
    morning: Morning,
    job: Job,
    of: Instruction,
    strip: Strip,
    truck: Truck,
    decision: Decision | None,
    *,
    names_truck: bool,
) -> CardView:
    """Return the card of one strip. decision: its verdict, whose numbers the warnings name; None without one."""
    plan = job.water
    assert plan is not None
    since = called_since(morning, strip.id)
    return CardView(
        instruction=of,
        size=phrase(
            "card.size",
            length=phrases.amount("length_m", strip.length_m),
            width=phrases.amount("length_m", strip.width_m),
        ),
        stop=phrase("card.stop_unknown") if since is None else phrase("card.stop", strip=of.short, since=since),
        loads=tuple(_loads(plan, truck)),
        rows=(
            *(((phrase("card.label_truck"), _truck(truck)),) if names_truck else ()),
            *_rows(morning, job, of, strip, truck),
            *_warnings(plan, decision, morning),
        ),
    )


def _loads(plan: WaterPlan, truck: Truck) -> Iterator[tuple[int, Amount, Amount, Amount]]:
    """Yield number, start, end and water of each load: full tanks, and what is left in the last."""
    whole = phrases.amount("litres", plan.litres)
    tank = phrases.amount("litres", truck.tank_litres)
    n_full = len(plan.load_ends_m) - 1
    for k, (start, end) in enumerate(itertools.pairwise((0.0, *plan.load_ends_m))):
        litres = tank if k < n_full else phrases.rest(whole, tank, n_full)
        yield k + 1, phrases.amount("length_m", start), phrases.amount("length_m", end), litres


def _rows(morning: Morning, job: Job, of: Instruction, strip: Strip, truck: Truck) -> Iterator[tuple[Phrase, Phrase]]:
    plan = job.water
    assert plan is not None
    assert of.water is not None
    clock, n_lanes = morning.clock, lanes(truck, strip.width_m)
    call_utc = job.start_utc - timedelta(hours=first_drop_h(truck, morning.truck_efficiency))
    again = tuple(clock.at(at) for at in _fills_again(plan, job, truck, morning.truck_efficiency))
    fill = {"call": clock.at(call_utc), "start": of.water.start}
    yield _row("fill", "card.fill_again" if again else "card.fill", again=Names(items=tuple(_said(again))), **fill)
    yield _row("bar", "card.bar", flow=phrases.a_minute("litres", truck.flow_litres_min))
    ends = plan.load_ends_m
    first_m = ends[0]
    seconds = phrases.whole(first_m / (plan.speed_km_h / 3.6))
    length = phrases.amount("length_m", first_m)
    yield _row("speed", "card.speed", speed=phrases.amount("speed_km_h", plan.speed_km_h), length=length, n=seconds)
    yield _row("runs", "card.runs" if plan.passes > 1 else "card.runs_one", lanes=n_lanes, n=plan.passes)
    spare_m = strip.width_m - (n_lanes - 1) * truck.bar_width_m
    if "bar_overhangs" in plan.warnings and spare_m > 0:
        width = phrases.amount("lane_m", spare_m)
        yield phrase("card.label_lane", n=n_lanes), phrase("card.lane", width=width)
    yield _check(plan, truck)
    if of.is_damp:
        yield _row("then", "text.keep_damp")
    else:
        yield _row("then", "card.mix" if of.is_mixed else "card.soak")


def _check(plan: WaterPlan, truck: Truck) -> tuple[Phrase, Phrase]:
    """Return a check a driver can make on the gauge of the tank in the middle of the first load."""
    load = min(truck.tank_litres, plan.litres)
    if plan.passes == 1:
        half_m = phrases.amount("length_m", plan.load_ends_m[0] / 2.0)
        left = phrases.amount("litres", load / 2.0)
        return _row("check", "card.check_half", length=half_m, litres=left)
    n = plan.passes // 2
    return _row("check", "card.check", n=n, litres=phrases.amount("litres", load * (1.0 - n / plan.passes)))


def _warnings(plan: WaterPlan, decision: Decision | None, morning: Morning) -> Iterator[tuple[Phrase, Phrase]]:
    if decision is None:
        return
    keys = [("limit", plan.limited_by)] if plan.limited_by and plan.limited_by != "maintain" else []
    keys += [("water_warning", warning) for warning in plan.warnings if warning not in SAID_ELSEWHERE]
    for table, key in keys:
        yield phrase("card.label_mind"), sentences.of_decision(table, key, decision, morning.clock)


def _row(label: str, key: str, **gaps: Gap) -> tuple[Phrase, Phrase]:
    return phrase(f"card.label_{label}"), phrase(key, **gaps)


def _said(moments: Sequence[phrases.Moment]) -> Iterator[Phrase]:
    for moment in moments:
        yield phrase("form.moment", at=moment)


def _fills_again(plan: WaterPlan, job: Job, truck: Truck, efficiency: float) -> Iterator[datetime]:
    """Yield when the truck leaves to fill again: after each load but the last, by the strip's time in parts."""
    again_h = (truck.fill_time_min + 2.0 * truck.travel_time_min) / 60.0 / efficiency
    lasts_h = (job.end_utc - job.start_utc) / timedelta(hours=1)
    driving_h = max(lasts_h - (plan.loads - 1) * again_h, 0.0)
    length_m = plan.load_ends_m[-1]
    for k, end_m in enumerate(plan.load_ends_m[:-1]):
        yield job.start_utc + timedelta(hours=driving_h * end_m / length_m + k * again_h)


def _stop(morning: Morning) -> Phrase:
    freezing = phrases.amount("temp_degc", 0.0)
    if morning.plan.rain:
        return phrase("card.stop_rain", start=morning.clock.at(morning.plan.rain[0].from_utc), freezing=freezing)
    return phrase("card.stop_any", freezing=freezing)

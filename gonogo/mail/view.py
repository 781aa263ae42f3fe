"""The morning as any reader may see it: every number rounded once, every sentence chosen, in no language yet."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime

from gonogo.mail.calendar import Entry, entry_views
from gonogo.mail.items import MorningView
from gonogo.mail.path import MoisturePath, paths_view
from gonogo.records.site import Crew, Material, Site
from gonogo.records.verdict import Decision, OutlookDay, Verdict
from gonogo.records.work_order import Change, WorkOrder
from gonogo.weather.forecast_status import ForecastStatus
from gonogo.weather.series import HourlyWeather
from gonogo.wording import phrases, sky
from gonogo.wording import strips as strips_wording
from gonogo.wording.changes import changes_view
from gonogo.wording.clock import Clock
from gonogo.wording.horizon import RAIN_DAY_MM, horizon
from gonogo.wording.items import MaterialView, SkyView, StripView
from gonogo.wording.notes import note_phrase
from gonogo.wording.order import order_view
from gonogo.wording.phrases import Day, Names, Phrase, phrase
from gonogo.wording.sentences import NO_VERDICT

NAMES_AT_MOST = 4  # a headline with more names than this counts them instead
OLD_READING_H = 24.0  # a reading older than this is named among what the model is unsure of; common practice, no source
FIELDS = (  # fields of a material that have a name in every language
    "omc_pct",
    "mdd_kg_m3",
    "window_low_pct",
    "window_high_pct",
    "required_compaction_pct",
    "specific_gravity",
    "theta_fc",
    "theta_wp",
    "tew_mm",
    "rew_mm",
    "soil_class",
)
CAUTIONS = ("advice", "deciders", "stop", "water")


def build(
    site: Site,
    crew: Crew,
    *,
    day: date,
    decisions: Sequence[Decision],
    outlook: Sequence[OutlookDay],
    weather: HourlyWeather | None,
    now_utc: datetime,
    edition: str = "morning",
    changes: Sequence[Change] | None = None,
    order: WorkOrder | None = None,
    paths: Mapping[str, MoisturePath] | None = None,
    entries: Sequence[Entry] = (),
) -> MorningView:
    """Return the view of one crew's morning.

    decisions  of the site or of the crew; strips of other crews are left out
    outlook    of every strip and day, may be empty
    weather    None where there is no forecast to be trusted
    edition      "morning" for the first mail of the day, anything else for a later one
    changes    what changed since the last mail and why; None where there is nothing to compare with
    order      the proposed order of work, None where there is none
    paths      moisture by hour of each strip, for the picture; None for a mail without one
    entries    what calendars should hold

    Without a trusted forecast every strip waits, whatever the decisions say: the last door before the mail.
    """
    if weather is None or weather.status == ForecastStatus.NONE:
        decisions = [_waiting(d) for d in decisions]
        outlook, order, paths = (), None, None
    own = {s.id: s for s in site.strips if s.crew_id == crew.id}
    ours = _in_order(d for d in decisions if d.strip_id in own)
    clock = Clock(site=site, day=day)
    watering = strips_wording.watering(ours, own, crew.truck, clock)
    by_strip = {w.strip_id: w for w in watering}
    strips = tuple(strips_wording.strip(d, own[d.strip_id], site, crew, clock, by_strip.get(d.strip_id)) for d in ours)
    is_knowable = any(d.reason not in NO_VERDICT for d in ours)
    sky_today = sky.today(weather, site, day, now_utc) if weather is not None else None
    needed = next((d.facts["chance_needed"] for d in ours if "chance_needed" in d.facts), math.nan)
    days, rows = horizon(outlook, own, clock, needed, {s.id: s for s in strips})
    used = {own[d.strip_id].material_id for d in ours}
    return MorningView(
        site=site.name,
        crew=crew.name,
        day=Day(day=day),
        long_day=Day(day=day, form="long"),
        zone=site.zone.key,
        edition=edition,
        is_update=edition != "morning",
        is_knowable=is_knowable,
        headline=_headline(strips, sky_today) if is_knowable else phrase("headline.no_verdict"),
        tally=tuple(phrase(f"tally.{v}", n=n) for v in Verdict if (n := sum(s.verdict == v for s in strips))),
        n_workable=sum(s.verdict != Verdict.WAIT for s in strips),
        strips=strips,
        watering=watering,
        water_strips=_named([w.strip for w in watering]),
        water_total=phrases.total(tuple(w.litres for w in watering)) if watering else None,
        water_finish=max((w.finish for w in watering), key=lambda m: m.at_local.timestamp(), default=None),
        n_loads=sum(d.water.loads for d in ours if d.water),
        truck=crew.truck.name if crew.truck else None,
        tank=phrases.amount("litres", crew.truck.tank_litres) if crew.truck else None,
        leave_dry=tuple(
            phrase(f"leave_dry.{s.verdict}", strip=s.name, reason=s.reason) for s in strips if s.id not in by_strip
        ),
        days=days,
        rows=rows,
        rain_floor=phrases.amount("rain_mm", RAIN_DAY_MM),
        changes=None
        if changes is None
        else changes_view(changes, own, clock, {d.strip_id: d for d in ours} if edition != "morning" else {}),
        order=order_view(order, (crew.id,), own, clock) if order is not None else None,
        paths=paths_view(paths, strips, {d.strip_id: d for d in ours}, own, site, day=day, now_utc=now_utc)
        if paths
        else None,
        entries=entry_views(entries, own, site),
        weather=sky_today,
        unsure=_unsure(ours, strips, weather, is_knowable),
        materials=tuple(_material(m) for m in site.materials if m.id in used),
        notes=tuple(note_phrase(note, clock) for note in weather.notes) if weather is not None else (),
        freezing=phrases.amount("temp_degc", 0.0),
        cautions=tuple(phrase(f"caution.{c}") for c in CAUTIONS),
    )


def _in_order(decisions: Iterable[Decision]) -> list[Decision]:
    """Return decisions as a mail takes them: what can be compacted, what is watered first, what waits; then by time."""
    rank = {Verdict.COMPACT: 0, Verdict.WATER: 1, Verdict.WAIT: 2}
    return sorted(decisions, key=lambda d: (rank[d.verdict], d.from_utc.timestamp() if d.from_utc else math.inf))


def without_extras(view: MorningView) -> MorningView:
    """Return a view that needs neither picture nor calendar."""
    return replace(view, paths=None, entries=())


def _waiting(decision: Decision) -> Decision:
    """Return the decision turned into "wait, no forecast"; moisture carried on by no forecast is not shown either."""
    if decision.verdict == Verdict.WAIT and decision.reason in NO_VERDICT:
        return decision
    return replace(
        decision,
        verdict=Verdict.WAIT,
        reason="no_forecast",
        from_utc=None,
        until_utc=None,
        next_utc=None,
        facts={},
        seen=(),
        advice=(),
        test=("test_before_rolling",),
        water=None,
        w_now_pct=math.nan,
        w_p10_pct=math.nan,
        w_p90_pct=math.nan,
        w_top_pct=math.nan,
        w_base_pct=math.nan,
    )


def _headline(strips: Sequence[StripView], weather: SkyView | None) -> Phrase:
    """Return the whole day in one sentence."""
    clauses: list[Phrase] = []
    for verdict in Verdict:
        of_it = [s for s in strips if s.verdict == verdict]
        if not of_it:
            continue
        names = _named([s.name for s in of_it])
        starts = [s.window.start for s in of_it if s.window is not None]
        if verdict == Verdict.COMPACT and starts:
            first = min(starts, key=lambda m: m.at_local.timestamp())
            clauses.append(phrase("headline.compact", strips=names, start=first))
        else:
            clauses.append(phrase(f"headline.{verdict}", strips=names))
    clauses.append(rain_clause(weather))
    places = ("first", "second", "third", "fourth")
    return phrase(f"headline.join_{len(clauses)}", **dict(zip(places, clauses, strict=False)))


def _named(strips: Sequence[str]) -> Names | Phrase:
    """Return the strips by name, or how many they are where names would fill the line."""
    return Names(items=tuple(strips)) if len(strips) <= NAMES_AT_MOST else phrase("headline.strips", n=len(strips))


def rain_clause(weather: SkyView | None) -> Phrase:
    """Return what the rest of the day brings in rain."""
    if weather is None:
        return phrase("headline.no_forecast")
    if weather.is_raining:
        return phrase("headline.raining")
    if weather.rain_from is not None:
        return phrase("headline.rain", start=weather.rain_from)
    # A small chance is not worth a word at half past five; the mail's body gives it all the same.
    if weather.rain_chance.pct >= 20:
        return phrase("headline.rain_possible", chance=weather.rain_chance)
    return phrase("headline.dry")


def _unsure(
    decisions: Sequence[Decision], strips: Sequence[StripView], weather: HourlyWeather | None, is_knowable: bool
) -> tuple[Phrase, ...]:
    """Return what the model is unsure of this morning."""
    names = {s.id: s.name for s in strips}

    def strips_where(mask: Sequence[bool]) -> Names:
        return Names(items=tuple(names[d.strip_id] for d, holds in zip(decisions, mask, strict=True) if holds))

    unsure = []
    if weather is None or weather.status == ForecastStatus.NONE:
        unsure.append(phrase("unsure.no_forecast"))
    elif weather.status == ForecastStatus.OLD:
        unsure.append(phrase("unsure.old_forecast"))
    if not is_knowable:
        return tuple(unsure) or (phrase("unsure.no_result"),)
    unread = [d.reading_age_h == float("inf") or d.reading_age_h != d.reading_age_h for d in decisions]
    old = [OLD_READING_H < d.reading_age_h < float("inf") for d in decisions]
    wide = [
        (s.moisture_high.metric[0] - s.moisture_low.metric[0]) > (s.window_high.metric[0] - s.window_low.metric[0])
        for s in strips
    ]
    for key, mask in (("no_reading", unread), ("old_reading", old), ("wide_band", wide)):
        if any(mask):
            unsure.append(phrase(f"unsure.{key}", strips=strips_where(mask)))
    unsure.append(phrase("unsure.model"))
    return tuple(unsure)


def _material(material: Material) -> MaterialView:
    """Return the laboratory result that strips of a material are judged by."""
    return MaterialView(
        name=material.name,
        test=material.test,
        optimum=phrases.amount("w_pct", material.omc_pct),
        window_low=phrases.amount("w_pct", material.omc_pct + material.window_low_pct),
        window_high=phrases.amount("w_pct", material.omc_pct + material.window_high_pct),
        max_density=phrases.amount("dry_density_kg_m3", material.mdd_kg_m3),
        required=phrases.amount("w_pct", material.required_compaction_pct),
        assumed=Names(
            items=tuple(phrase(f"field.{f}") if f in FIELDS else f.replace("_", " ") for f in material.assumed)
        )
        if material.assumed
        else None,
    )

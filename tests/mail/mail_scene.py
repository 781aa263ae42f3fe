"""An invented site and a hand-made morning, for tests of the mails. Nothing here was computed by the model."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from gonogo.decide.plan.bare import verdicts_only
from gonogo.mail import view
from gonogo.mail.items import MorningView
from gonogo.mail.morning import Morning
from gonogo.mail.path import DrawnPath
from gonogo.records.day_plan import (
    Badge,
    DayPlan,
    Half,
    Job,
    LastTest,
    NextTry,
    RainSpell,
    Sealing,
    StripPlan,
    Task,
    TestFirst,
    Then,
)
from gonogo.records.site import Crew, Drum, Material, Recipient, Roller, Site, Strip, Surface, Truck
from gonogo.records.verdict import Decision, OutlookDay, RuleSeen, Verdict, WaterPlan
from gonogo.records.work_order import Change, PlannedWork, Unplanned, Why, Work, WorkOrder
from gonogo.weather.forecast_status import ForecastStatus
from gonogo.weather.notes import note
from gonogo.weather.series import HourlyWeather

ZONE = ZoneInfo("Europe/Madrid")
DAY = date(2026, 6, 17)
NOW_UTC = datetime(2026, 6, 17, 3, 27, tzinfo=UTC)  # 05:27 on site


def at(hour: float, day: date = DAY) -> datetime:
    """Return a time of the site's clock (summer time, UTC + 2 h) as UTC."""
    return datetime(day.year, day.month, day.day, tzinfo=UTC) + timedelta(hours=hour - 2)


def person(role: str, /, **changes: str) -> Recipient:
    names = {"superintendent": "Zoë Nuñez-Łęcka", "driver": "Ada Example", "planner": "Olu Example"}
    fields = {"name": names.get(role, "Ola Example"), "address": f"{role}@example.com", "role": role, **changes}
    return Recipient(**fields)


def material(**changes: object) -> Material:
    fields: dict[str, object] = {
        "id": "clay",
        "name": "Red clay",
        "soil_class": "clay",
        "omc_pct": 16.5,
        "mdd_kg_m3": 1780.0,
        "test": "Standard Proctor",
        "window_low_pct": -1.5,
        "window_high_pct": 2.0,
        "required_compaction_pct": 95.0,
        "specific_gravity": 2.70,
        "theta_fc": 0.36,
        "theta_wp": 0.18,
        "assumed": ("specific_gravity", "theta_fc", "theta_wp"),
    }
    return Material(**(fields | changes))


SAND = material(
    id="sand",
    name="Pit sand",
    soil_class="sand",
    omc_pct=9.0,
    mdd_kg_m3=1930.0,
    test="Modified Proctor",
    window_low_pct=-2.0,
    window_high_pct=2.0,
    is_granular=True,
    assumed=(),
)


def strip(strip_id: str, name: str, crew_id: str = "north", material_id: str = "clay", **changes: object) -> Strip:
    fields: dict[str, object] = {
        "length_m": 240.0,
        "width_m": 12.0,
        "lift_thickness_m": 0.25,
        "dry_density_kg_m3": 1450.0,
        "surface": Surface.LOOSE,
    }
    return Strip(id=strip_id, name=name, crew_id=crew_id, material_id=material_id, **(fields | changes))


ROLLER = Roller(
    id="r1",
    name="Padded roller",
    drum=Drum.PADDED,
    rolled_width_m=2.1,
    overlap_m=0.3,
    speed_km_h=4.0,
    passes=6,
    efficiency=0.83,
)
TRUCK = Truck(
    id="t1",
    name="Truck 7",
    tank_litres=12000.0,
    bar_width_m=4.0,
    flow_litres_min=900.0,
    fill_time_min=12.0,
    travel_time_min=8.0,
    speed_min_km_h=2.0,
    speed_max_km_h=12.0,
)
CREW = Crew(
    id="north",
    name="North crew",
    roller=ROLLER,
    truck=TRUCK,
    recipients=(person("superintendent"), person("driver"), person("planner")),
)
STRIPS = (
    strip("N1", "N1 upstream"),
    strip("N2", "N2 upstream"),
    strip("N3", "N3 core"),
    strip("N4", "N4 filter", material_id="sand"),
    strip("N5", "N5 toe", note="Culvert below the east end."),
    strip("S1", "S1 south", crew_id="south"),
)


def site(**changes: object) -> Site:
    fields: dict[str, object] = {
        "id": "amberbank",
        "name": "Amberbank Dam",
        "latitude_deg": 40.0,
        "longitude_deg": -4.0,
        "elevation_m": 610.0,
        "zone": ZONE,
        "working_days": (0, 1, 2, 3, 4),
        "shift_start": time(6),
        "shift_end": time(18),
        "mail_at": time(5, 30),
        "deadline": time(7),
        "holidays": (),
        "mixing_depth_m": 0.30,
        "crews": (CREW,),
        "materials": (material(), SAND),
        "strips": STRIPS,
    }
    return Site(**(fields | changes))


def weather(**changes: object) -> HourlyWeather:
    """Return three days of weather from midnight UTC; rain from 14:00 on site in most members of the first day."""
    n_hours, n_members = 72, 10
    hours = np.datetime64("2026-06-17T00", "h") + np.arange(n_hours)
    local = (np.arange(n_hours) + 2) % 24
    temp = 19.0 - 7.0 * np.cos((local - 4) / 24 * 2 * np.pi)
    members = np.zeros((n_hours, n_members))
    members[12:16, :7] = 1.6
    known = {
        "service": "open_meteo",
        "attribution": (("Weather data by Open-Meteo.com, CC BY 4.0", "https://open-meteo.com/"),),
        "fetched_utc": NOW_UTC - timedelta(minutes=25),
        "status": ForecastStatus.FRESH,
        "notes": (note("gaps_filled", n=2, from_utc=datetime(2026, 6, 16, 4, tzinfo=UTC)),),
        "hour_utc": hours,
        "temp_degc": temp,
        "rh_pct": np.full(n_hours, 55.0),
        "wind_2m_m_s": np.full(n_hours, 4.2),
        "pressure_kpa": np.full(n_hours, 94.0),
        "shortwave_w_m2": np.maximum(0.0, 800.0 * np.sin((local - 6) / 12 * np.pi)),
        "rain_mm": members.mean(axis=1),
        "rain_chance": np.full(n_hours, 0.2),
        "snow_mm": np.zeros(n_hours),
        "surface_temp_degc": temp,
        "weather_code": np.zeros(n_hours),
        "rain_members_mm": members,
    }
    return HourlyWeather(**(known | changes))


FACTS = {
    "chance_in_window": 0.84,
    "chance_too_dry": 0.12,
    "chance_too_wet": 0.04,
    "chance_needed": 0.7,
    "chance_of_rain": 0.7,
    "hours_until_rain_h": 8.5,
    "working_hours_left_h": 12.0,
    "time_needed_h": 3.2,
    "rolling_time_h": 2.7,
    "evaporation_mm_h": 0.62,
    "vibration_caution_m": 15.0,
    "dose_litres_m2": 6.4,
    "dose_min_litres_m2": 0.5,
    "dose_max_litres_m2": 40.0,
    "rolling_speed_km_h": 7.0,
    "forecast_age_h": 0.4,
    "rained_since_reading_mm": 14.0,
    "deviation_pct": -0.4,
}


def decision(strip_id: str, verdict: Verdict, reason: str, **changes: object) -> Decision:
    fields: dict[str, object] = {
        "rule_id": reason,
        "from_utc": None,
        "until_utc": None,
        "next_utc": None,
        "facts": dict(FACTS),
        "seen": (),
        "advice": (),
        "test": (),
        "water": None,
        "w_now_pct": 16.1,
        "w_p10_pct": 15.3,
        "w_p90_pct": 16.9,
        "w_top_pct": 15.8,
        "w_base_pct": 16.3,
        "reading_age_h": 14.0,
        "rolling_time_h": 2.7,
    }
    return Decision(strip_id=strip_id, verdict=verdict, reason=reason, **(fields | changes))


def water(strip_id: str, **changes: object) -> WaterPlan:
    fields: dict[str, object] = {
        "litres": 18432.0,
        "litres_m2": 6.4,
        "w_now_pct": 13.9,
        "w_target_pct": 16.3,
        "evaporation_allowance_mm": 0.5,
        "rain_credit_mm": 0.0,
        "passes": 3,
        "litres_m2_per_pass": 2.13,
        "speed_km_h": 6.3,
        "loads": 2,
        "load_ends_m": (156.0, 240.0),
        "start_utc": at(6.25),
        "finish_utc": at(8.02),
        "truck_id": "t1",
    }
    return WaterPlan(strip_id=strip_id, **(fields | changes))


def decisions() -> tuple[Decision, ...]:
    """One strip of each kind, two of them watered, one split, one without a reading."""
    return (
        decision(
            "N1",
            Verdict.COMPACT,
            "in_window",
            from_utc=at(6),
            until_utc=at(11.5),
            advice=("keep_surface_damp", "seal_before_rain", "spread_no_more"),
            test=("density_after_rolling",),
            water=water(
                "N1",
                litres=1440.0,
                litres_m2=0.5,
                passes=1,
                litres_m2_per_pass=0.5,
                speed_km_h=12.0,
                loads=1,
                load_ends_m=(240.0,),
                start_utc=at(9),
                finish_utc=at(9.2),
                limited_by="maintain",
                warnings=("speed_outside_range",),
            ),
        ),
        decision(
            "N2",
            Verdict.WATER,
            "too_dry",
            from_utc=at(9.5),
            until_utc=at(13),
            advice=("mix_full_depth", "seal_before_rain"),
            test=("test_after_watering", "density_after_rolling"),
            water=water("N2", limited_by="wet_edge", warnings=("retest_after_watering",)),
            w_now_pct=13.9,
            w_p10_pct=13.1,
            w_p90_pct=14.8,
            w_top_pct=12.2,
            w_base_pct=15.6,
            facts=FACTS | {"chance_in_window": 0.09, "chance_too_dry": 0.91, "chance_too_wet": 0.0},
        ),
        decision(
            "N3",
            Verdict.WAIT,
            "too_wet",
            next_utc=at(7, date(2026, 6, 19)),
            advice=("disk_and_aerate", "crown_and_drain"),
            w_now_pct=19.4,
            w_p10_pct=18.2,
            w_p90_pct=20.6,
            w_top_pct=19.1,
            w_base_pct=19.7,
            facts=FACTS | {"chance_in_window": 0.06, "chance_too_dry": 0.0, "chance_too_wet": 0.94},
        ),
        decision(
            "N4",
            Verdict.COMPACT,
            "in_window",
            from_utc=at(7),
            until_utc=at(12),
            advice=("as_wet_as_practical",),
            test=("density_after_rolling",),
            w_now_pct=9.3,
            w_p10_pct=8.5,
            w_p90_pct=10.1,
            w_top_pct=9.1,
            w_base_pct=9.6,
            reading_age_h=38.0,
        ),
        decision(
            "N5",
            Verdict.WAIT,
            "no_reading",
            next_utc=at(6, date(2026, 6, 18)),
            advice=("test_then_roll", "static_only"),
            test=("test_before_rolling",),
            w_p10_pct=12.5,
            w_p90_pct=21.0,
            reading_age_h=float("inf"),
            facts=FACTS | {"chance_in_window": 0.41, "chance_too_dry": 0.33, "chance_too_wet": 0.26},
        ),
        decision("S1", Verdict.WAIT, "too_wet"),
    )


def outlook(n_days: int = 8) -> tuple[OutlookDay, ...]:
    """A horizon with rain on the first day, a weekend, and chances that differ by strip and day."""
    rows = []
    for place, its_strip in enumerate(STRIPS):
        for offset in range(n_days):
            day = DAY + timedelta(days=offset)
            works = day.weekday() < 5
            share = max(0.0, min(1.0, 0.93 - 0.11 * abs(offset - (0, 0, 2, 0, 1, 2)[place])))
            hours = round(10 * share) if works and share >= 0.7 else 0
            rows.append(
                OutlookDay(
                    strip_id=its_strip.id,
                    day=day,
                    chance=share,
                    workable_h=float(hours),
                    from_utc=at(6, day) if hours else None,
                    until_utc=at(6 + hours, day) if hours else None,
                    rain_mm=4.5 if offset == 0 else 0.0 if offset < 5 else 12.0,
                    rain_chance=0.7 if offset == 0 else 0.05 if offset < 5 else 0.9,
                    w_mean_pct=16.0,
                    w_p10_pct=15.0,
                    w_p90_pct=17.0,
                    is_working_day=works,
                    chance_watered=0.8 if its_strip.id == "N2" and offset in (1, 5) else float("nan"),
                    is_rolled=its_strip.id == "N4" and offset == 7,
                )
            )
    return tuple(rows)


def rule_seen(rule_id: str, *saw: tuple[str, float, str, str, float]) -> RuleSeen:
    return RuleSeen(rule_id=rule_id, held=True, saw=saw)


# --- the plan, the changes and the moisture path, as made by hand as the rest ---------------------------------------


def planned(
    strip_id: str, work: Work, start_h: float, end_h: float, *, day: date = DAY, **changes: object
) -> PlannedWork:
    fields: dict[str, object] = {
        "lift": 1,
        "crew_id": "north",
        "chance": 0.84 if work == Work.ROLLING else float("nan"),
        "area_m2": 2880.0,
        "expected_area_m2": 2419.0 if work == Work.ROLLING else 0.0,
    }
    return PlannedWork(
        strip_id=strip_id, work=work, start_utc=at(start_h, day), end_utc=at(end_h, day), **(fields | changes)
    )


THURSDAY = date(2026, 6, 18)


def order(**changes: object) -> WorkOrder:
    """Two days of work of the crew, one strip of another crew, and a strip without a place."""
    fields: dict[str, object] = {
        "works": (
            planned("N1", Work.ROLLING, 6, 8.7, flags=("today",)),
            planned("N2", Work.WATERING, 6.25, 8.02, litres=18432.0, flags=("today",)),
            planned("N2", Work.ROLLING, 9.5, 12.2, flags=("today", "water_first")),
            planned("", Work.SEALING, 17.5, 18, lift=0),
            planned("S1", Work.ROLLING, 7, 9, crew_id="south"),
            planned("N3", Work.ROLLING, 7, 9.7, day=THURSDAY, chance=0.5, flags=("test_first", "unsure")),
            planned("N1", Work.ROLLING, 10, 12.7, day=THURSDAY, lift=2, flags=("next_lift", "late")),
        ),
        "unplanned": (
            Unplanned(strip_id="N5", lift=1, reason="no_likely_hour", chance=0.41, at_utc=at(9, THURSDAY)),
            Unplanned(strip_id="N4", lift=2, reason="lift_below", chance=float("nan"), at_utc=None),
        ),
        "moves": (),
        "expected_area_m2": 9650.0,
        "given_order_area_m2": 8100.0,
        "gap_frac": 0.0,
        "method": "solver",
    }
    return WorkOrder(**(fields | changes))


def since() -> tuple[Change, ...]:
    """A change of each kind, with causes of several kinds."""
    return (
        Change(
            strip_id="",
            what="rain",
            after_utc=at(0, THURSDAY),
            numbers={"rain_before_mm": 1.0, "rain_after_mm": 12.0, "chance_before": 0.2, "chance_after": 0.8},
        ),
        Change(
            strip_id="N3",
            what="verdict",
            before="compact",
            after="wait",
            why=(
                Why(key="rain_fell", numbers={"rain_mm": 14.0}),
                Why(
                    key="reading",
                    numbers={"reading_w_pct": 19.4, "w_before_pct": 16.9, "w_now_pct": 19.4},
                    at_utc=at(17, date(2026, 6, 16)),
                ),
            ),
        ),
        Change(strip_id="N5", what="no_longer_planned", before_utc=at(8, THURSDAY), why=(Why(key="other_strips"),)),
        Change(
            strip_id="N1",
            what="planned_start",
            before_utc=at(7, THURSDAY),
            after_utc=at(9, THURSDAY),
            why=(Why(key="other_strips"),),
        ),
        Change(
            strip_id="N1",
            what="newly_planned",
            after_utc=at(13, THURSDAY),
            numbers={"lift": 2.0},
            why=(Why(key="other_strips"),),
        ),
        Change(strip_id="N4", what="next_hour", before_utc=at(8, THURSDAY), after_utc=None),
        Change(strip_id="S1", what="verdict", before="compact", after="wait"),
    )


def paths(n_hours: int = 240) -> dict[str, DrawnPath]:
    """Ten days of moisture of each strip, drying by day, with rain this afternoon."""
    hours = np.arange(n_hours)
    start = np.datetime64(NOW_UTC.replace(tzinfo=None), "h") - np.timedelta64(12, "h")
    rain_mm = np.where((hours > 20) & (hours < 24), 1.6, 0.0)
    found = {}
    for k, its_strip in enumerate(STRIPS):
        mean = 15.0 + k + 2.0 * np.sin(hours / 30.0 + k)
        half = 0.5 + hours / 120.0
        found[its_strip.id] = DrawnPath(
            hour_utc=start + hours.astype("timedelta64[h]"),
            w_p10_pct=mean - half,
            w_mean_pct=mean,
            w_p90_pct=mean + half,
            rain_mm=rain_mm,
        )
    return found


# --- the day plan, and the morning that mails are made from ----------------------------------------------------------


def last_test(strip_id: str) -> LastTest | None:
    """Return the last test of a strip: none of N5."""
    if strip_id == "N5":
        return None
    return LastTest(w_pct=16.2, method="nuclear gauge", at_utc=at(16.5, date(2026, 6, 16)))


def testing(**changes: object) -> TestFirst:
    fields: dict[str, object] = {
        "why": "no_reading",
        "by_utc": at(7),
        "low_pct": 15.4,
        "high_pct": 18.1,
        "mean_low_pct": 15.0,
        "mean_high_pct": 18.3,
        "damp_from_pct": 15.0,
        "damp_litres": 4180.0,
        "again_from_pct": 14.5,
        "again_to_pct": 18.5,
        "inside": Then.ROLL,
        "below": Then.WATER,
        "above": Then.DISK,
        "target_pct": 16.3,
        "litres_per_pct": 10440.0,
        "litres_most": 100000.0,
        "disk_utc": (at(9),),
        "again_utc": at(11.5),
    }
    return TestFirst(**(fields | changes))


def plan(decisions: Sequence[Decision], its_site: Site, its_order: WorkOrder | None, **changes: object) -> DayPlan:
    """Return the day plan of hand-made verdicts: their hours and litres, today's rolling of the order, and sealing."""
    crews = {crew.id for crew in its_site.crews}
    crew_of = {strip.id: strip.crew_id for strip in its_site.strips}
    decisions = [d for d in decisions if crew_of.get(d.strip_id) in crews]
    bare = verdicts_only(its_site, decisions, {}, now_utc=NOW_UTC, day=DAY, edition="morning")
    known = {strip.strip_id for strip in bare.strips}
    works = () if its_order is None else its_order.works
    rolling = tuple(
        Job(
            task=Task.ROLL,
            strip_id=w.strip_id,
            lift=w.lift,
            crew_id=w.crew_id,
            machine_id=ROLLER.id,
            start_utc=w.start_utc,
            end_utc=w.end_utc,
            is_after_test="water_first" in w.flags,
            chance=w.chance,
            passes=6,
            lanes=7,
        )
        for w in works
        if w.work == Work.ROLLING and "today" in w.flags and w.strip_id in known
    )
    sealings = tuple(
        Sealing(
            crew_id=w.crew_id,
            strips=("N3",),
            start_utc=at(13.25),
            by_utc=at(13.75),
            roller_id=ROLLER.id,
            drum=ROLLER.drum,
            why="rain_today",
            rain_utc=at(14),
        )
        for w in works
        if w.work == Work.SEALING
    )
    whole = replace(
        bare,
        next_shift_utc=at(6, date(2026, 6, 18)),
        strips=tuple(_strip_plan(strip, {d.strip_id: d for d in decisions}) for strip in bare.strips),
        jobs=tuple(sorted((*bare.jobs, *rolling), key=lambda job: job.start_utc)),
        sealings=sealings,
        rain=(RainSpell(from_utc=at(14), until_utc=at(18), rain_mm=4.5, chance=0.7),),
        fallen_mm=0.0,
        fallen_since_utc=at(18, date(2026, 6, 16)),
    )
    return replace(whole, **changes)  # type: ignore[arg-type]


def _strip_plan(bare: StripPlan, decisions: dict[str, Decision]) -> StripPlan:
    decision = decisions[bare.strip_id]
    if not decision.facts:
        return replace(bare, last_test=last_test(bare.strip_id))
    is_tested = last_test(bare.strip_id) is not None
    test = None
    if decision.verdict == Verdict.WATER:
        test = testing(why="after_watering", by_utc=decision.from_utc, below=Then.CALL, above=Then.HOLD)
    elif decision.reason == "no_reading":
        test = testing()
    next_try = None
    if decision.verdict == Verdict.WAIT and decision.next_utc is not None:
        day = decision.next_utc.astimezone(ZONE).date()
        next_try = NextTry(day=day, half=Half.MORNING, at_utc=decision.next_utc, chance=0.6)
    return replace(
        bare,
        badge=Badge.TEST if decision.reason == "no_reading" else Badge.WAIT if bare.badge == Badge.TEST else bare.badge,
        is_tested=is_tested,
        last_test=last_test(bare.strip_id),
        test=test,
        next=next_try,
        w_p10_pct=decision.w_p10_pct,
        w_p90_pct=decision.w_p90_pct,
        chance_in_window=decision.facts.get("chance_in_window", math.nan),
        chance_too_dry=decision.facts.get("chance_too_dry", math.nan),
        chance_too_wet=decision.facts.get("chance_too_wet", math.nan),
        water_by_utc=at(9.5) if decision.verdict == Verdict.WATER else None,
    )


def morning(strips: tuple[Strip, ...] = STRIPS, **changes: object) -> Morning:
    """Return what the mails of the north crew are made from. plan_changes: fields of its day plan that are others."""
    its_site = changes.pop("site", None) or site(strips=strips)
    assert isinstance(its_site, Site)
    plan_changes = changes.pop("plan_changes", {})
    assert isinstance(plan_changes, dict)
    fields: dict[str, object] = {
        "site": its_site,
        "crews": (CREW,),
        "decisions": decisions(),
        "outlook": outlook(),
        "weather": weather(),
        "now_utc": NOW_UTC,
        "order": order(),
        "truck_efficiency": 0.83,
    } | changes
    if "plan" not in fields:
        its_order = fields["order"]
        made = plan(fields["decisions"], its_site, its_order)  # type: ignore[arg-type]
        fields["plan"] = replace(made, **plan_changes)
    return Morning(**fields)  # type: ignore[arg-type]


def built(**changes: object) -> MorningView:
    """Return the view of such a morning."""
    return view.build(morning(**changes))  # type: ignore[arg-type]

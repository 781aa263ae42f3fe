"""What a later look found changed since a crew was last told, and why, in sentences. Nothing to say: no mail."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta

from gonogo.mail import lifts, phrases, sky
from gonogo.mail.lifts import Clock
from gonogo.mail.phrases import Phrase, phrase
from gonogo.mail.view import flip
from gonogo.records.site import Crew, Site
from gonogo.records.verdict import Decision, OutlookDay, Verdict

# Reasons that the clock alone brings about. The crew has a clock; whether it has begun, only it knows.
CLOCK_REASONS = frozenset(("no_time_for_water", "not_enough_hours"))


def changes(
    site: Site,
    crew: Crew,
    *,
    day: date,
    told_utc: datetime,
    now_utc: datetime,
    told: Sequence[Decision],
    told_outlook: Sequence[OutlookDay],
    decisions: Sequence[Decision],
    outlook: Sequence[OutlookDay],
    settings: Mapping[str, float],
) -> tuple[Phrase, ...]:
    """Return a sentence for each strip of a crew with another verdict, window or dose, then what the sky did.

    told, told_outlook   what the crew was last told, at told_utc
    settings             look_window_change_min, look_litres_change_pct and look_rain_change_mm are the thresholds

    A strip that was rolled meanwhile, whose told window is over, or whose verdict the clock alone changed is no news.
    """
    clock = Clock(site=site, day=day)
    before = {d.strip_id: d for d in told}
    rain_before, rain_now = _rain(told_outlook, day), _rain(outlook, day)
    is_rain_moved = (
        rain_before is not None
        and rain_now is not None
        and abs(rain_now.rain_mm - rain_before.rain_mm) >= settings["look_rain_change_mm"]
    )
    found: list[Phrase] = []
    elapsed_h = (now_utc - told_utc) / timedelta(hours=1)
    for one in decisions:
        strip = site.strip(one.strip_id)
        old = before.get(one.strip_id)
        if strip.crew_id != crew.id or old is None or _is_no_news(old, one, now_utc, is_rain_moved):
            continue
        change = _change(strip.name, old, one, clock, now_utc, settings)
        if change is None:
            continue
        is_tested = one.reading_age_h < old.reading_age_h + elapsed_h - 0.1  # False where there is no test at all
        why = phrase("later.tested", reason=lifts.reason(one, clock)) if is_tested else lifts.reason(one, clock)
        found.append(phrase("later.because", change=change, why=why))
    if found and is_rain_moved and rain_before is not None and rain_now is not None:
        found.append(
            phrase(
                "later.rain",
                before=phrases.amount("rain_mm", rain_before.rain_mm),
                chance_before=phrases.chance(rain_before.rain_chance),
                after=phrases.amount("rain_mm", rain_now.rain_mm),
                chance_after=phrases.chance(rain_now.rain_chance),
                floor=phrases.amount("rain_mm", sky.RAIN_DAY_MM),
            )
        )
    return tuple(found)


def _is_no_news(old: Decision, new: Decision, now_utc: datetime, is_rain_moved: bool) -> bool:
    """Whether a crew needs not be told what a strip has come to."""
    is_over = old.until_utc is not None and old.until_utc <= now_utc and new.from_utc is None
    return new.reason == "already_rolled" or is_over or (new.reason in CLOCK_REASONS and not is_rain_moved)


def _change(
    name: str, old: Decision, new: Decision, clock: Clock, now_utc: datetime, settings: Mapping[str, float]
) -> Phrase | None:
    """The sentence for a strip beyond the thresholds, None within them."""
    if old.verdict != new.verdict:
        return flip(name, old.verdict, new.verdict)
    before, after = clock.span(old.from_utc, old.until_utc), clock.span(new.from_utc, new.until_utc)
    if before and after and _is_window_moved(old, new, now_utc, settings):
        return phrase("later.window", strip=name, before=before, after=after)
    if old.water is None or new.water is None:
        return None
    shown_before, shown_after = (phrases.amount("litres", d.water.litres) for d in (old, new) if d.water)
    share = abs(new.water.litres - old.water.litres) / old.water.litres
    if share * 100.0 > settings["look_litres_change_pct"] and shown_before != shown_after:
        return phrase("later.litres", strip=name, before=shown_before, after=shown_after)
    return None


def _is_window_moved(old: Decision, new: Decision, now_utc: datetime, settings: Mapping[str, float]) -> bool:
    """Whether an end of the window moved further than the threshold; hours that are past count for neither.

    After watering the window begins whenever the truck is done, so only its end is compared.
    """
    limit = timedelta(minutes=settings["look_window_change_min"])
    if old.from_utc is None or old.until_utc is None or new.from_utc is None or new.until_utc is None:
        return False
    start_moved = abs(max(new.from_utc, now_utc) - max(old.from_utc, now_utc))
    is_start_moved = old.verdict == Verdict.COMPACT and start_moved > limit
    return is_start_moved or abs(new.until_utc - old.until_utc) > limit


def _rain(outlook: Sequence[OutlookDay], day: date) -> OutlookDay | None:
    """The rain of a day, which is the same for every strip."""
    return next((o for o in outlook if o.day == day), None)

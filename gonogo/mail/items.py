"""What mails are made of: rows, cards, bar of hours, calendar entries, picture, and the whole of a crew's morning."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from gonogo.wording.instruction import Instruction
from gonogo.wording.items import ChangeView, DayView, HourBar, MaterialView, RowView, SkyView
from gonogo.wording.phrases import Amount, Day, Moment, Names, Phrase


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryView:
    """One planned work for a calendar.

    key        the lasting part of its identifier; sequence: rises with each change
    day, kind  local date and kind of work (records/work_order.Work)
    """

    key: str
    crew_id: str
    day: date
    kind: str
    sequence: int
    is_cancelled: bool
    start_utc: datetime
    end_utc: datetime
    title: Phrase
    line: Phrase


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelView:
    """One strip in the picture of the moisture path.

    low, mean, high    10 %, mean and 90 % of the moisture at each hour of the picture [%]
    roll_h             from when to when it can be rolled today [h of the picture], None where it waits
    now, ahead         moisture now, and at the start of the shift of the days ahead, for the words beside the picture
    water_h            from when to when it is watered today [h of the picture], None where it is not; it is in the path
    """

    strip: str
    low: tuple[float, ...]
    mean: tuple[float, ...]
    high: tuple[float, ...]
    window_low_pct: float
    window_high_pct: float
    optimum_pct: float
    window_low: Amount
    window_high: Amount
    roll_h: tuple[float, float] | None
    now: Amount
    ahead: tuple[tuple[Day, Amount], ...]
    water_h: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PathsView:
    """The moisture path of a crew's strips, as a picture shows it. Hours count from its left edge.

    days, midnights_h   the local dates, and where each begins and the last ends
    rain_mm             expected rain of each hour; rain_by_day: what is still to come, by date
    n_left_out          strips that the picture does not show
    """

    n_hours: int
    now_h: float
    days: tuple[Day, ...]
    midnights_h: tuple[float, ...]
    rain_mm: tuple[float, ...]
    rain_by_day: tuple[Amount, ...]
    panels: tuple[PanelView, ...]
    n_left_out: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BranchView:
    """What to do with one result of a test. result: from where to where it lies [%]."""

    result: Phrase
    act: Phrase


@dataclass(frozen=True, slots=True, kw_only=True)
class StripRow:
    """One strip of the first screen: the word on its badge, by when, short lines, and what its test decides."""

    instruction: Instruction
    badge: Phrase
    when: Phrase | None
    lines: tuple[Phrase, ...]
    branches: tuple[BranchView, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class BehindView:
    """One strip behind the first screen: why, how sure, and what to mind."""

    name: str
    lines: tuple[Phrase, ...]
    advice: tuple[Phrase, ...]
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CardView:
    """What the truck's driver does on one strip.

    stop    when to stop and call before the first drop
    loads   number, from where and to where along the strip, and how much
    rows    label and text, in the order in which they are needed
    """

    instruction: Instruction
    size: Phrase
    stop: Phrase
    loads: tuple[tuple[int, Amount, Amount, Amount], ...]
    rows: tuple[tuple[Phrase, Phrase], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DriverView:
    """What the driver's mails say.

    headline   the whole day
    called     strips that a test of today called water for, and nobody recorded any: it stands, once
    leave      what gets no water
    haul_road  what roads take
    """

    headline: Phrase
    subject: Phrase | None
    truck: Phrase | None
    cards: tuple[CardView, ...]
    called: Phrase | None
    leave: Phrase | None
    haul_road: Phrase | None
    stop: Phrase


@dataclass(frozen=True, slots=True, kw_only=True)
class HalfView:
    """Half a day of the order of work: when, and a line a piece of work."""

    title: Phrase
    is_today: bool
    lines: tuple[Phrase, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannerView:
    """What the planner's mail says.

    moved_subject   what moved, for the subject
    asked           what needs a decision today
    """

    moved_subject: Phrase
    asked: tuple[Phrase, ...]
    halves: tuple[HalfView, ...]
    unplanned: tuple[Phrase, ...]
    gain: Phrase | None
    proof: Phrase | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ToRecord:
    """One entry that is missing, as an example of how it is told.

    act    a word of wording/reply_words.ACTS
    told   the hour for which it was told on an earlier day, so many days back; None where it is of today
    """

    strip_id: str
    act: str
    litres: Amount | None
    told: Moment | None = None
    days_back: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class MorningView:
    """Everything that the mails of one crew, or of several to a planner, may say.

    headline   the answer, in short sentences
    changed    of a later mail: what has changed, with what it was; each strip once
    changed_strips   their names, for a subject
    rows       strips in working order, but for those that are done
    has_results_behind   rows say of a test only what releases the lift; every result stands behind the first screen
    seals      what each crew seals, and by when
    box        what nobody recorded; to_record: one entry of it, for how to answer
    rain       fallen and still to come, each a sentence
    pause      days off to come beside the usual weekend, and when work goes on
    alarm      what a reader must know of the forecast before all else: old, none, a wrong clock
    basis      age of the forecast and the zone of all times
    """

    site: str
    crew: str
    day: Day
    long_day: Day
    zone: str
    edition: str
    is_update: bool
    is_knowable: bool
    headline: tuple[Phrase, ...]
    changed: tuple[Phrase, ...]
    changed_strips: Names | Phrase | None
    tally: tuple[Phrase, ...]
    bar: HourBar | None
    rows: tuple[StripRow, ...]
    has_results_behind: bool
    done: Names | None
    seals: tuple[Phrase, ...]
    box: tuple[Phrase, ...]
    to_record: ToRecord | None
    rain: tuple[Phrase, ...]
    pause: tuple[Phrase, ...]
    sky: Phrase
    alarm: Phrase | None
    basis: Phrase
    behind: tuple[BehindView, ...]
    driver: DriverView
    planner: PlannerView
    days: tuple[DayView, ...]
    grid: tuple[RowView, ...]
    rain_floor: Amount
    changes: tuple[ChangeView, ...] | None
    paths: PathsView | None
    entries: tuple[EntryView, ...]
    weather: SkyView | None
    unsure: tuple[Phrase, ...]
    materials: tuple[MaterialView, ...]
    notes: tuple[Phrase, ...]
    cautions: tuple[Phrase, ...]

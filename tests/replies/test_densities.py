"""A density told alone belongs to the moisture test that it was made with; where none is sure, it is asked for."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

import pytest
import sqlalchemy as sa
from inbox_scene import NOW, Desk_, answer
from reply_scene import LANGUAGES, reader, site

from gonogo.inbox.mailbox import MailPlace
from gonogo.records.field import Reading
from gonogo.replies import densities, grammar
from gonogo.replies.grammar import ReplyLine
from gonogo.wording.language import speaker

MDD_KG_M3 = site().material(site().strip("N1").material_id).mdd_kg_m3


@pytest.fixture
def desk(sqlite_store: sa.Engine) -> Desk_:
    return Desk_(sqlite_store)


def readings(desk: Desk_) -> list[Reading]:
    return [entry for entry in desk.entries() if isinstance(entry, Reading)]


def test_a_density_completes_the_test_of_the_hour_before(desk: Desk_) -> None:
    desk.take(answer(["N1 16.2"]))
    desk.now_utc += timedelta(hours=1)
    assert desk.take(answer(["N1 95.8%"], sent_utc=desk.now_utc)) == MailPlace.DONE
    (found,) = readings(desk)
    assert (found.w_pct, found.at_utc, found.method) == (16.2, NOW, "nuclear gauge")
    assert found.dry_density_kg_m3 == pytest.approx(0.958 * MDD_KG_M3, abs=0.01)
    told = " ".join(desk.mails()[-1][2].split())
    assert "dry density" in told
    assert "The density was put to the test of entry 1, which this entry replaces. Taken back, both go." in told
    desk.take(answer(["undo 2"], sent_utc=desk.now_utc))
    assert readings(desk) == []


@pytest.mark.parametrize(
    "lines", [["N1 16.2", "N1 95.8%"], ["N1 95.8%", "N1 16.2"], ["N1 16.2", "N2 15.0", "N1 95.8%"]]
)
def test_two_lines_of_one_mail_are_one_test(desk: Desk_, lines: Sequence[str]) -> None:
    assert desk.take(answer(lines)) == MailPlace.DONE
    found = {reading.strip_id: reading for reading in readings(desk)}
    assert len(found) == len(readings(desk)) == len({line.split()[0] for line in lines})
    assert found["N1"].w_pct == 16.2
    assert found["N1"].dry_density_kg_m3 == pytest.approx(0.958 * MDD_KG_M3, abs=0.01)


@pytest.mark.parametrize(
    ("before", "after_h", "line"),
    [
        ([], 1.0, "N1 95.8%"),  # the config's test is of the day before
        (["N2 16.2"], 1.0, "N1 95.8%"),  # another strip's
        (["N1 16.2"], 4.5, "N1 95.8%"),  # too long ago
        (["N1 16.2 95.1%"], 1.0, "N1 95.8%"),  # that one has its density
        (["N1 16.2 9:50", "N1 16.4 9:20"], 1.0, "N1 95.8%"),  # one of two
        (["N1 16.2 oven"], 1.0, "N1 95.8% gauge"),  # made in another way
        (["N1 16.2"], 1.0, "N1 95.8% top 4 in"),  # of another depth
    ],
)
def test_where_the_test_is_not_sure_the_water_content_is_asked_for(
    desk: Desk_, before: list[str], after_h: float, line: str
) -> None:
    if before:
        assert desk.take(answer(before)) == MailPlace.DONE
    n_before = len(readings(desk))
    desk.now_utc += timedelta(hours=after_h)
    desk.take(answer([line], sent_utc=desk.now_utc))
    assert len(readings(desk)) == n_before
    assert desk.mails()[-1][1] == speaker("en", "us").word("reply.subject_unread")
    assert "a density needs its water content too: N1 11.2 95.8%." in desk.mails()[-1][2]


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_percentage_above_any_water_content_is_compaction_and_below_it_is_none(language: str) -> None:
    own, now = site(), NOW.replace(tzinfo=None)
    comma = "." if language == "en" else ","
    read = grammar.read(f"N1 95{comma}8%", own.strips, reader(language), now)
    assert isinstance(read, ReplyLine)
    assert densities.is_alone(read)
    water = grammar.read(f"N1 16{comma}2%", own.strips, reader(language), now)
    assert isinstance(water, ReplyLine)
    assert not densities.is_alone(water)

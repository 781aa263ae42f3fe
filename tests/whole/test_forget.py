"""`gonogo forget`: no trace of the person in the database or the mail folder, and the record stays."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from example_mornings import example_config, run_example
from hypothesis import given
from hypothesis import strategies as st
from messages import raw_mail

from gonogo.cli import app, demo, forget
from gonogo.config import Config
from gonogo.errors import ConfigError
from gonogo.records.field import Reading
from gonogo.store import history, outbox, outcomes, runs, schema
from gonogo.store.upgrade import upgrade

ADDRESS = "north.driver@example.com"


@pytest.fixture
def filled(tmp_path: Path, store_url: str, open_store: Callable[[str], sa.Engine]) -> tuple[Config, sa.Engine]:
    """A morning that is stored, one of its mails refused with the address in the server's words, and a note."""
    loaded = example_config(tmp_path, store_url=store_url)
    store = open_store(store_url)
    upgrade(store)
    assert run_example(loaded, store) is not None
    for mail in outbox.lease(store, now_utc=demo.MORNING_UTC, owner="a", limit=9):
        if mail.address != ADDRESS:
            outbox.sent(store, mail, now_utc=demo.MORNING_UTC)
        else:
            error = f"550 <{ADDRESS.upper()}> unknown"
            outbox.failed(store, mail, retry_utc=demo.MORNING_UTC, error=error)
    entry = Reading(strip_id="N1", at_utc=demo.MORNING_UTC, w_pct=15.0, method="oven")
    with schema.begin(store) as connection:
        arrival = history.Arrival(entered_utc=demo.MORNING_UTC, entered_by="reply", note=f"from {ADDRESS}")
        history.add_entry(connection, "harrow-flats", entry, arrival)
    return loaded, store


def everything(store: sa.Engine) -> str:
    """Every value of every table as one text."""
    with schema.read(store) as connection:
        rows = [row for table in schema.metadata.sorted_tables for row in connection.execute(sa.select(table))]
    return "\n".join(
        bytes(v).decode("utf-8", "replace") if isinstance(v, bytes | memoryview) else str(v)
        for row in rows
        for v in row
    )


def test_a_person_leaves_no_trace_and_the_record_stays(filled: tuple[Config, sa.Engine]) -> None:
    loaded, store = filled
    with schema.read(store) as connection:
        run = runs.last_run(connection, "harrow-flats")
        assert run is not None
        before = runs.decisions(connection, run.id)
    assert ADDRESS in everything(store)
    assert "Sam Okoro" in everything(store)
    outcome = forget.forget(loaded, ADDRESS.title(), now_utc=demo.MORNING_UTC)
    left = everything(store).lower()
    assert ADDRESS not in left
    assert "sam okoro" not in left
    assert "1 stored mails no longer name this person; 1 of them waited" in outcome.text
    with schema.read(store) as connection:
        assert runs.decisions(connection, run.id) == before
        assert len(outcomes.outcomes(connection, states=["sent"])) == 4
        (gone,) = outcomes.outcomes(connection, states=["withdrawn"])
        raw = outcomes.raw_of(connection, gone.message_id)
        assert '"harrow-flats"' in runs.config_text(connection, run.id)
        assert "north.superintendent@example.com" in runs.config_text(connection, run.id)
        assert history.entry_log(connection, "harrow-flats")[0].note == "from (forgotten)"
    assert raw is not None
    assert b"Harrow Flats" in raw  # what the mail said stays
    assert outbox.lease(store, now_utc=demo.MORNING_UTC, owner="b") == ()


@pytest.mark.parametrize("store_url", ["sqlite"], indirect=True)  # PostgreSQL keeps its files to itself
def test_the_file_of_the_database_holds_nothing_of_the_person_either(
    filled: tuple[Config, sa.Engine], tmp_path: Path
) -> None:
    loaded, store = filled
    store.dispose()
    forget.forget(loaded, ADDRESS, now_utc=demo.MORNING_UTC)
    for path in tmp_path.glob("gonogo.db*"):
        assert ADDRESS.encode() not in path.read_bytes().lower(), path.name
        assert b"Sam Okoro" not in path.read_bytes(), path.name


def test_an_address_that_still_stands_in_the_config_is_said_and_makes_the_exit_code_1(
    filled: tuple[Config, sa.Engine],
) -> None:
    loaded, _ = filled
    outcome = forget.forget(loaded, ADDRESS, now_utc=demo.MORNING_UTC)
    assert outcome.exit_code == app.Exit.ATTENTION
    assert "sites/harrow-flats.toml or sites/harrow-flats/people.csv, crew north, driver" in outcome.text
    nobody = forget.forget(loaded, "nobody@example.com", now_utc=demo.MORNING_UTC)
    assert nobody.exit_code == app.Exit.OK
    assert "0 stored mails" in nobody.text
    operator = forget.forget(loaded, "operator@example.com", now_utc=demo.MORNING_UTC)
    assert "gonogo.toml, operator" in operator.text


def test_mails_in_the_folder_are_deleted_too(tmp_path: Path, sqlite_store: sa.Engine) -> None:
    import random

    from gonogo.outgoing import delivery

    loaded = example_config(tmp_path, store_url=str(sqlite_store.url))
    run_example(loaded, sqlite_store)
    delivery.Worker(
        store=sqlite_store,
        transport=loaded.transport,
        now_utc=lambda: demo.MORNING_UTC,
        owner="a",
        rng=random.Random(1),
    ).round()
    assert len(list((tmp_path / "mails").rglob("*.eml"))) == 5
    outcome = forget.forget(loaded, ADDRESS, now_utc=demo.MORNING_UTC)
    assert "2 files" in outcome.text
    assert len(list((tmp_path / "mails").rglob("*.eml"))) == 4
    assert not any(ADDRESS in path.read_text(encoding="utf-8") for path in (tmp_path / "mails").rglob("*.*"))


@pytest.mark.parametrize("address", ["", "ana", "ana@example.com\r\nBcc: x@example.com", "<ana@example.com>"])
def test_what_is_no_address_is_refused_and_changes_nothing(tmp_path: Path, address: str) -> None:
    with pytest.raises(ConfigError, match="Nothing was changed"):
        forget.forget(example_config(tmp_path), address, now_utc=demo.MORNING_UTC)
    assert not (tmp_path / "gonogo.db").exists()


@given(name=st.text(st.characters(codec="utf-8", exclude_categories=("C", "Z")), min_size=3, max_size=40))
def test_whatever_the_name_a_cleaned_mail_does_not_hold_it(name: str) -> None:
    quoted = name.replace("\\", "").replace('"', "") or "nobody"
    raw = raw_mail("<a.1@example.com>", "ana@example.com", name=quoted)
    cleaned = forget.without_person(raw, "ana@example.com", quoted, "<forgotten.1@gonogo.invalid>")
    assert b"ana@example.com" not in cleaned
    assert b"<a.1@example.com>" not in cleaned
    if cleaned:
        assert quoted.lower() not in cleaned.decode().partition("\r\n\r\n")[2].lower()


def test_a_mail_that_names_its_reader_in_the_body_goes_as_a_whole() -> None:
    raw = raw_mail("<a.1@example.com>", "ana@example.com", body="Ana Boss, write to ana@example.com\n")
    assert forget.without_person(raw, "ana@example.com", "Ana Boss", "<b@gonogo.invalid>") == b""


def test_another_person_of_the_same_crew_is_left_alone(filled: tuple[Config, sa.Engine]) -> None:
    loaded, store = filled
    forget.forget(loaded, ADDRESS, now_utc=demo.MORNING_UTC)
    with schema.read(store) as connection:
        others: dict[str, Any] = {m.address: m.name for m in outcomes.outcomes(connection, states=["sent"])}
    assert others["north.superintendent@example.com"] == "Robin Ashby"

"""The kept config: whole, for its owner alone, written where it has changed, and nothing is left behind for ever."""

from __future__ import annotations

import os
import shutil
import stat
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from example_mornings import example_config

from gonogo import config as configs
from gonogo.cli import demo
from gonogo.config import Config
from gonogo.service import last_good
from gonogo.service.config_watch import ConfigWatch
from gonogo.service.last_good import LastGood

N_SITES = 5


@pytest.fixture
def many(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Config:
    """A config of a few sites in parts of two, as if it had been read from files."""
    monkeypatch.setattr(last_good, "SITES_A_PART", 2)
    example = example_config(tmp_path)
    shutil.copytree(example.folder, tmp_path / "config")
    loaded = configs.load(tmp_path / "config", environ={})
    ids = [f"site-{n}" for n in range(N_SITES)]
    named = {name: dict.fromkeys(ids, getattr(loaded, name)[loaded.sites[0].id])
             for name in ("settings", "setting_origin", "readings")}  # fmt: skip
    sites = tuple(replace(loaded.sites[0], id=n) for n in ids)
    monkeypatch.chdir(tmp_path)
    return replace(loaded, warnings=(), store_url=f"sqlite:///{tmp_path / 'gonogo.sqlite3'}", sites=sites, **named)


@pytest.fixture
def written(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The names of the files that are written."""
    names, whole = list[str](), last_good._write
    monkeypatch.setattr(last_good, "_write", lambda path, raw: names.append(path.name) or whole(path, raw))
    return names


def renamed(config: Config, n: int) -> Config:
    """Return a config of which one site has another name, read from its files after that change."""
    sites = list(config.sites)
    sites[n] = replace(sites[n], name="Another name")
    assert config.read_from is not None
    return replace(config, sites=tuple(sites), read_from=replace(config.read_from, state="changed"))


def test_what_is_kept_is_found_whole_and_is_for_its_owner_alone(many: Config) -> None:
    last_good.keep(LastGood(config=many, mornings={"site-3": demo.DAY}))
    folder = last_good.place(many)
    assert len(list(folder.iterdir())) == 1 + 3, "a head, and five sites in parts of two"
    assert last_good.find(many.folder) == LastGood(config=many, mornings={"site-3": demo.DAY})
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert {stat.S_IMODE(path.stat().st_mode) for path in folder.iterdir()} == {0o600}


def test_what_has_not_changed_is_not_written_again(many: Config, written: list[str]) -> None:
    last_good.keep_config(many)
    first = list(written)
    last_good.keep_config(replace(many))
    assert written == first, "not even looked at"
    changed = renamed(many, 4)
    last_good.keep_config(changed)
    assert len(written[len(first) :]) == 2, "the last part, and the head"
    found = last_good.find(many.folder)
    assert found is not None
    assert found.config == changed


def _another_password(config: Config) -> Config:
    return replace(config, transport=replace(config.transport, password="another"))


def _one_site_less(config: Config) -> Config:
    return replace(config, sites=config.sites[:-1])


def _without_files(config: Config) -> Config:
    return replace(config, read_from=None, sites=(replace(config.sites[0], name="Another name"), *config.sites[1:]))


@pytest.mark.parametrize("change", [_another_password, _one_site_less, _without_files])
def test_what_the_files_do_not_tell_is_kept_too(many: Config, change: Callable[[Config], Config]) -> None:
    last_good.keep_config(many)
    last_good.keep_config(change(many))
    found = last_good.find(many.folder)
    assert found is not None
    assert found.config.sites == change(many).sites
    assert found.config.transport == change(many).transport


def test_a_config_of_which_a_part_is_lost_is_written_again(many: Config, written: list[str]) -> None:
    last_good.keep_config(many)
    folder = last_good.place(many)
    next(path for path in folder.iterdir() if path.name != last_good.HEAD).unlink()
    assert last_good.find(many.folder) is None
    last_good.keep_config(many)
    assert last_good.find(many.folder) == LastGood(config=many)
    assert len(written) == 4 + 2


def aged(path: Path) -> Path:
    """Make a file, or have one look, two hours old."""
    path.touch()
    os.utime(path, (path.stat().st_mtime - 7200.0,) * 2)
    return path


def test_what_killed_writers_left_is_swept_and_what_another_may_be_writing_is_not(many: Config) -> None:
    last_good.keep_config(many)
    folder = last_good.place(many)
    parts = {path.name for path in folder.iterdir()}
    old = [aged(folder / "0.json.99.part"), aged(folder / "f00.json")]
    old.append(aged(folder.parent / f"{last_good.MORNINGS_FILE}.99.part"))
    young = folder / "1.json.99.part"
    young.touch()
    for name in parts:
        aged(folder / name)
    last_good.keep_config(renamed(many, 4))
    assert not any(path.exists() for path in old)
    assert young.exists()
    assert last_good.find(many.folder) is not None


def test_the_one_file_of_an_earlier_version_is_read_and_gives_way(many: Config) -> None:
    """It had a line for a few sites, each with all that is not a site's; killed starts left whole copies beside it."""
    parent = last_good.place(many).parent
    lines = [
        last_good._line(LastGood(config=replace(many, sites=many.sites[first : first + 2])))
        for first in range(0, N_SITES, 2)
    ]
    (parent / last_good.FILE).write_bytes(b"".join(lines))
    left = parent / f"{last_good.FILE}.77.part"
    left.write_bytes(lines[0])
    last_good.keep_mornings(many, {"site-1": demo.DAY})
    found = last_good.find(many.folder)
    assert found == LastGood(config=many, mornings={"site-1": demo.DAY})
    last_good.keep_config(many)
    assert not left.exists()
    assert not (parent / last_good.FILE).exists()
    assert last_good.find(many.folder) == LastGood(config=many, mornings={"site-1": demo.DAY})


def test_a_change_while_the_files_are_read_is_noticed_afterwards(many: Config) -> None:
    """With many sites that takes minutes, and nobody changes the file a second time."""
    loaded = configs.load(many.folder, environ={})
    path = many.folder / "sites" / f"{loaded.sites[0].id}.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace(loaded.sites[0].name, "Another name"), encoding="utf-8")
    watch = ConfigWatch(loaded, {})
    watch.refresh()
    assert watch.accepted.sites[0].name == "Another name"

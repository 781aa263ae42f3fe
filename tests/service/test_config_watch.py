"""A running service notices a change in any file that its config is read from, lists included."""

from __future__ import annotations

import shutil
from pathlib import Path

from config_copy import EXAMPLE, SITE

from gonogo import config as configs
from gonogo.service.config_watch import ConfigWatch

HEADER = "id,crew,material,length_m,width_m,lift_thickness_m,surface\n"


def watched(tmp_path: Path) -> ConfigWatch:
    folder = tmp_path / "config"
    shutil.copytree(EXAMPLE, folder, ignore=shutil.ignore_patterns("*.sqlite3*", "mails"))
    return ConfigWatch(configs.load(folder, environ={}), {})


def test_a_list_that_appears_changes_or_goes_is_noticed(tmp_path: Path) -> None:
    watch = watched(tmp_path)
    strips = (watch.accepted.folder / SITE).with_suffix("") / "strips.csv"
    n_before = len(watch.accepted.sites[0].strips)
    strips.parent.mkdir()
    strips.write_text(HEADER + "E1,north,clay,120,12,0.25,loose\n")
    watch.refresh()
    assert [s.id for s in watch.accepted.sites[0].strips][n_before:] == ["E1"]
    strips.write_text(HEADER + "E1,north,clay,x,12,0.25,loose\n")
    watch.refresh()
    assert "strips.csv:2, column length_m" in watch.faults[0]
    assert len(watch.accepted.sites[0].strips) == n_before + 1, "the last good config stays"
    strips.unlink()
    watch.refresh()
    assert watch.faults == ()
    assert len(watch.accepted.sites[0].strips) == n_before

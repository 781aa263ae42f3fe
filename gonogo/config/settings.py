"""The adjustable numbers: defaults.toml, then the operator's [settings], then the site's; who set what is kept."""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from typing import Literal

from pydantic import BaseModel, ConfigDict

from gonogo.config.toml_file import ConfigFile
from gonogo.config.values import choose_from

Who = Literal["operator", "site"]

# Settings of which the first must stay below the second.
ORDERED = (("dose_min_litres_m2", "dose_max_litres_m2"),)


class SettingRow(BaseModel):
    """One row of defaults.toml. change: who may change it ("site" includes the operator)."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    value: float
    unit: str
    min: float
    max: float
    change: Literal["site", "operator", "no"]
    source: str
    help: str

    def may_change(self, who: Who) -> bool:
        return self.change == "site" or self.change == who


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One setting in force. origin: "default", "operator" or "site"."""

    name: str
    value: float
    origin: str
    row: SettingRow


@functools.cache
def setting_rows() -> dict[str, SettingRow]:
    """Return every row of the installed defaults.toml by name, in the order of the file."""
    text = resources.files("gonogo").joinpath("defaults.toml").read_text(encoding="utf-8")
    return {name: SettingRow.model_validate(row) for name, row in tomllib.loads(text).items()}


def read_settings(file: ConfigFile, who: Who) -> dict[str, float]:
    """Return the accepted entries of a file's [settings]; every other entry becomes a fault."""
    raw = file.raw.get("settings", {})
    if not isinstance(raw, dict):
        file.add_fault(("settings",), "is not a table.", "Write [settings] with name = number below it.")
        return {}
    rows, accepted = setting_rows(), {}
    for name, value in raw.items():
        loc, row = ("settings", name), rows.get(name)
        if row is None:
            file.add_fault(loc, "is no setting.", f"{choose_from(name, list(rows))} `gonogo settings` lists all.")
        elif not row.may_change(who):
            place = "nobody may change it. Delete the line."
            if row.change == "operator":
                place = "only the operator may, in [settings] of gonogo.toml. Move the line there."
            file.add_fault(loc, "is not for this file to change:", place)
        elif row.unit == "yes/no":
            if isinstance(value, bool) or value in (0, 1):
                accepted[name] = float(value)
            else:
                file.add_fault(loc, "is neither true nor false.", f"Write {name} = true or {name} = false.")
        elif isinstance(value, bool) or not isinstance(value, (int, float)):
            file.add_fault(loc, "is not a number.", f"Write, for example, {name} = {row.value:g} ({row.unit}).")
        elif not row.min <= value <= row.max:
            file.add_fault(
                loc,
                f"lies outside {row.min:g} to {row.max:g} ({row.unit}).",
                f"Write, for example, {name} = {row.value:g} (the default).",
            )
        else:
            accepted[name] = float(value)
    return accepted


def merge(operator: Mapping[str, float], site: Mapping[str, float]) -> tuple[Setting, ...]:
    """Return every setting in force: the site's value, else the operator's, else the default."""
    merged = []
    for name, row in setting_rows().items():
        if name in site:
            value, origin = site[name], "site"
        elif name in operator:
            value, origin = operator[name], "operator"
        else:
            value, origin = row.value, "default"
        merged.append(Setting(name=name, value=value, origin=origin, row=row))
    return tuple(merged)


def check_order(file: ConfigFile, in_force: Mapping[str, float]) -> None:
    """Add a fault where two settings in force contradict each other."""
    for low, high in ORDERED:
        if low in in_force and high in in_force and not in_force[low] < in_force[high]:
            file.add_fault(
                ("settings", low),
                f"is in force as {in_force[low]:g}, not below {high} = {in_force[high]:g}.",
                f"Write a {low} below {high}, or change the other one.",
            )

"""What every table of a config file keeps to: its keys, types as TOML gives them, numbers in their range."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, ValidationInfo, field_validator

from gonogo.config.values import check_range

Day = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
DAYS: tuple[Day, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
Units = Literal["metric", "us"]


class Table(BaseModel):
    """Any table: unknown keys are refused, types are as TOML gives them, numbers keep to their range."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False, frozen=True)

    @field_validator("*")
    @classmethod
    def _keep_to_range(cls, value: Any, info: ValidationInfo) -> Any:
        for number in value if isinstance(value, list) else [value]:
            if isinstance(number, (int, float)) and not isinstance(number, bool):
                check_range(info.field_name or "", number)
        return value

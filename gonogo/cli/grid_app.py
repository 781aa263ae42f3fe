"""`gonogo grid-fetch`: brings a model's newest run into the folder that the weather service `grid` reads."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from gonogo.cli.arguments import CONFIG_FOLDER, ConfigOption, load_config, progress
from gonogo.cli.outcome import Exit


def grid_fetch(
    run: Annotated[
        str, typer.Option("--run", help="The run, such as 2026051200 (UTC). The newest when left out.")
    ] = "",
    files: Annotated[
        Path | None, typer.Option("--from", help="Take it from GRIB2 files below this folder; nothing is downloaded.")
    ] = None,
    max_mb: Annotated[int, typer.Option("--max-mb", min=1, help="Most megabytes to download in this call.")] = 4000,
    minutes: Annotated[float, typer.Option("--minutes", min=0.1, help="Most minutes to download in this call.")] = 45.0,
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Bring the newest run of the open forecast that [[weather]] service = "grid" names, and read it for every site.

    Only the fields that are needed come, by their bytes. What is there already is not fetched again; a call that was
    cut off is resumed. Start it by a timer after each run comes out (every six hours) and before the mornings.
    The mornings themselves never download: they take what was read here, or ask the next service.
    """
    from gonogo.cli import grid_report

    asked = grid_report.FetchOptions(
        run_utc=grid_report.run_asked(run),
        files=files,
        most_bytes=max_mb * 1_000_000,
        limit_s=minutes * 60.0,
        now_utc=datetime.now(UTC),
    )
    with progress("grid") as step:
        text = grid_report.fetched(load_config(config), asked, say=step)
    print(text)
    raise typer.Exit(Exit.OK)

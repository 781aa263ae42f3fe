"""`gonogo weather`, `outlook` and `whatif`: what lies ahead of a site. Nothing of it is sent."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from gonogo.cli.arguments import (
    CONFIG_FOLDER,
    ConfigOption,
    LanguageOption,
    UnitsOption,
    load_config,
    one_site,
    one_strip,
    progress,
    speaker_asked,
    takes,
)
from gonogo.cli.outcome import Exit


def weather(
    site: Annotated[str, typer.Argument(help="Site id; may be left out where the config has one site.")] = "",
    as_csv: Annotated[
        bool, typer.Option("--csv", help="Every hour as CSV, past ones too: always metric, as its columns say.")
    ] = False,
    units: UnitsOption = "metric",
    language: LanguageOption = "en",
    stored: Annotated[bool, typer.Option("--stored", help="Ask no service: show the newest stored answer.")] = False,
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Show a site's weather as the verdicts use it: source and age, what was repaired, the next hours and days.

    Asks the weather services as a morning does and keeps their answers; sends nothing.
    """
    from gonogo.cli import weather_report

    loaded = load_config(config)
    with progress("weather"):
        outcome = weather_report.show(
            loaded,
            one_site(loaded, site),
            now_utc=datetime.now(UTC),
            speak=None if as_csv else speaker_asked(language, units),
            only_stored=stored,
        )
    print(outcome.text, end="" if as_csv and outcome.exit_code == Exit.OK else "\n")
    raise typer.Exit(outcome.exit_code)


def outlook(
    site: Annotated[str, typer.Argument(help="Site id; may be left out where the config has one site.")] = "",
    html: Annotated[
        Path | None, typer.Option("--html", help="Write one self-contained page to this file too, for desk and wall.")
    ] = None,
    units: UnitsOption = "metric",
    language: LanguageOption = "en",
    stored: Annotated[bool, typer.Option("--stored", help="Ask no service: use the newest stored answer.")] = False,
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Show the days ahead, strip by day: chance and hours of a workable window, dry or watered first; the proposed
    order of work around the rain; what changed since the last run of the day before.

    Judges the site as a morning does, now. Keeps the weather service's answer; stores no verdict and sends nothing.
    """
    from gonogo.cli import outlook_report

    loaded = load_config(config)
    with progress("outlook"):
        outcome = outlook_report.show(
            loaded,
            one_site(loaded, site),
            now_utc=datetime.now(UTC),
            speak=speaker_asked(language, units),
            html=html,
            only_stored=stored,
        )
    _print_outlook(outcome.text)
    raise typer.Exit(outcome.exit_code)


@dataclass(frozen=True, slots=True, kw_only=True)
class WhatifOptions:
    """The words of `gonogo whatif`."""

    site: Annotated[str, typer.Argument(help="Site id; may be left out where one site alone has such a strip.")]
    strip: Annotated[str, typer.Argument(help="Strip id, such as N3.")] = ""
    water: Annotated[float, typer.Option("--water", help="Litres put on the strip now.")] = 0.0
    rain: Annotated[float, typer.Option("--rain", help="Millimetres of rain within the next hours.")] = 0.0
    disk: Annotated[bool, typer.Option("--disk", help="The strip is disked now.")] = False
    delay: Annotated[float, typer.Option("--delay", help="Hours by which work begins later.")] = 0.0
    units: Annotated[str, typer.Option("--units", help="metric or us; the options are always metric.")] = "metric"
    language: LanguageOption = "en"
    stored: Annotated[bool, typer.Option("--stored", help="Ask no service: use the newest stored answer.")] = False
    config: ConfigOption = CONFIG_FOLDER


@takes(WhatifOptions)
def whatif(given: WhatifOptions) -> None:
    """Show what a strip would do with other water, rain, disking or delay, beside what it does as things are.

    Examples: gonogo whatif N2 --water 20000; gonogo whatif harrow-flats S1 --rain 8 --delay 24. Stores no
    verdict and sends nothing.
    """
    from gonogo.cli import whatif_report
    from gonogo.decide.whatif import Turn

    turn = whatif_report.checked(
        Turn(litres=given.water, rain_mm=given.rain, is_disked=given.disk, delay_h=given.delay)
    )
    loaded = load_config(given.config)
    # With one word alone, that word is the strip.
    site_id, strip_id = (given.site, given.strip) if given.strip else ("", given.site)
    found = one_site(loaded, site_id, strip_id=strip_id)
    with progress("what if"):
        outcome = whatif_report.show(
            loaded,
            whatif_report.WhatifQuestion(
                site=found, strip=one_strip(found, strip_id), turn=turn, now_utc=datetime.now(UTC)
            ),
            speak=speaker_asked(given.language, given.units),
            only_stored=given.stored,
        )
    print(outcome.text)
    raise typer.Exit(outcome.exit_code)


def _print_outlook(text: str) -> None:
    """Print the outlook: with weight on a terminal, plain into a pipe or a file."""
    if not sys.stdout.isatty():
        print(text)
        return
    from rich.console import Console
    from rich.text import Text

    weighted = Text(text)
    for pattern, style in (
        (r"(?m)^\S.*(?=\n-+$)", "bold"),
        (r"(?m)^-+$", "dim"),
        (r"\d+%\*", "bold green"),
        (r"\b[weru] \d+%", "blue"),
    ):
        weighted.highlight_regex(pattern, style)
    Console().print(weighted, soft_wrap=True)

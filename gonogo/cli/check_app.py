"""`gonogo check` and `settings`: what a config holds, what is wrong or doubtful in it, and every adjustable number."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

import typer

from gonogo.cli.arguments import CONFIG_FOLDER, ConfigOption, load_config, one_site
from gonogo.cli.outcome import Exit


def check(
    mail: Annotated[str, typer.Option("--mail", help="Also send one test mail to this address.")] = "",
    weather: Annotated[bool, typer.Option("--weather", help="Also ask each weather service once.")] = False,
    everything: Annotated[
        bool, typer.Option("--all", help="Both: the test mail goes to the operator where --mail names nobody.")
    ] = False,
    numbers: Annotated[bool, typer.Option("--numbers", help="List the warnings by number, and stop.")] = False,
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Read the config and say what is in it, or name every fault: file, key, value and what would be right.

    Also warns of what is likely a slip, and says what the licence of each weather service allows for your use. A
    warning that is right as it stands is accepted in its file, below [accepted_warnings], by number and key with the
    reason. By itself it sends nothing and asks no weather service; --mail and --weather do, and store nothing.
    """
    from gonogo.config.warning_numbers import numbers_report

    if numbers:
        print(numbers_report(), end="")
        return
    from gonogo.cli import checking, outside_report

    loaded, now_utc = load_config(config), datetime.now(UTC)
    address = mail or ((loaded.operator_address or "") if everything else "")
    outcomes = []
    if address:
        outside_report.checked_address(address)
    print(checking.check(loaded, now_utc=now_utc), end="")
    if weather or everything:
        outcomes.append(outside_report.weather(loaded, now_utc=now_utc))
        print(f"\n{outcomes[-1].text}")
    if address:
        outcomes.append(outside_report.send_test_mail(loaded, address, now_utc=now_utc))
        print(f"\n{outcomes[-1].text}")
    elif everything:
        print("\nNo test mail was sent: the config names no operator. Name an address with --mail.")
    raise typer.Exit(max((outcome.exit_code for outcome in outcomes), default=Exit.OK))


def settings(
    site: Annotated[str, typer.Argument(help="Site id; may be left out where the config has one site.")] = "",
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Print every adjustable number: the value in force, its unit and range, who set it, and its source."""
    from gonogo.config import settings_report

    loaded = load_config(config)
    print(settings_report(loaded, one_site(loaded, site).id), end="")

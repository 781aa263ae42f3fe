"""`gonogo forget`: a person is taken out of everything that is stored."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

import typer

from gonogo.cli.arguments import CONFIG_FOLDER, ConfigOption, load_config


def forget(
    address: Annotated[str, typer.Argument(help="The person's mail address.")],
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Remove a person's name and address from stored mails, outcomes and config copies; verdicts and entries stay.

    Mails that still wait for that person are not sent. Take the person out of the site's file first: while the address
    stands there, the next morning stores and mails it again. Backups are yours to clean.
    """
    from gonogo.cli import forget as forgetting

    outcome = forgetting.forget(load_config(config), address, now_utc=datetime.now(UTC))
    print(outcome.text)
    raise typer.Exit(outcome.exit_code)

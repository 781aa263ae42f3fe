"""`gonogo strips`: the strips of a site, listed, added, changed and ended without an editor."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Annotated

import typer

from gonogo.cli.arguments import CONFIG_FOLDER, ConfigOption, load_config, one_site, usage

ACTIONS = ("add", "change", "end")


def strips(
    site: Annotated[str, typer.Argument(help="Site id; may be left out where the config has one site.")] = "",
    action: Annotated[str, typer.Argument(help="add, change or end; the strips are listed when left out.")] = "",
    strip: Annotated[str, typer.Argument(help="Strip id, such as N3.")] = "",
    values: Annotated[list[str] | None, typer.Argument(help="key=value, as in the config or a list of strips.")] = None,
    on: Annotated[str, typer.Option("--on", help="With end: its date; today when left out.")] = "",
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """List the strips of a site, or add, change or end one. Comments and all else in the files stay as they are.

    Keys are those of the config or of a list of strips: length_m=120, length_ft=400, finish_by=2026-05-22,
    reading.w_pct=18.2. An empty value takes one out: note= . An ended strip is in no verdict and no mail any more;
    whatever is recorded of it stays, in the diary too. A new strip goes into strips.csv where the site has one, else
    into the site's file. What would make a fault is refused.

    Examples:

      gonogo strips north

      gonogo strips north add N7 crew=day material=clay length_m=120 width_m=12 lift_thickness_m=0.25 surface=loose

      gonogo strips north change N7 lift_thickness_m=0.2

      gonogo strips north end N7
    """
    from gonogo.cli import strips_report

    loaded = load_config(config)
    if site in ACTIONS and len(loaded.sites) == 1 and site != loaded.sites[0].id:  # the site was left out
        site, action, strip, values = "", site, action, [*([strip] if strip else []), *(values or [])]
    found = one_site(loaded, site)
    if not action:
        print(strips_report.listed(found), end="")
        return
    if action not in ACTIONS:
        raise usage("action", f"{action} is not one of the actions.", f"Write one of: {', '.join(ACTIONS)}.")
    if not strip or "=" in strip:
        raise usage("strip", "missing.", f"Write, for example, gonogo strips {found.id} {action} N3.")
    if on and action != "end":
        raise usage("--on", f"has no meaning with {action}.", "Leave it out.")
    today = datetime.now(UTC).astimezone(found.zone).date()
    print(strips_report.edited(loaded, found, action, strip, tuple(values or ()), _ended_on(on, today)))


def _ended_on(text: str, today: date) -> date:
    """Return the date at which a strip ends, today where nothing is said."""
    try:
        on = date.fromisoformat(text) if text else today
    except ValueError:
        raise usage("--on", f"{text} is not a date.", f"Write, for example, {today}.") from None
    if on > today:
        raise usage("--on", f"{text} lies in the future.", "End a strip on the day: until then it is at work.")
    return on

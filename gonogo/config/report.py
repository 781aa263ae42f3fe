"""What `gonogo check` and `gonogo settings` print, as text."""

from __future__ import annotations

import re
import textwrap
from collections import Counter
from collections.abc import Collection, Iterator, Sequence

from gonogo.config.acceptance import judge
from gonogo.config.load import Config
from gonogo.config.settings import Setting, setting_rows
from gonogo.config.tables import DAYS
from gonogo.config.warning_numbers import BY_FILE, label
from gonogo.errors import ConfigError, Fault
from gonogo.records.outside import Transport, Watch
from gonogo.records.site import Crew, Material, Site
from gonogo.soil.groups import PAIRING_SOURCE
from gonogo.weather import services

WIDTH = 100
ACCEPT = (
    "A warning that is right as it stands can be accepted in its file, by number and key, with the reason: below "
    '[accepted_warnings] write "W34 strip.N3.reading.w_pct" = "it is drained first".'
)


def check_report(config: Config, more: Sequence[Fault] = (), *, looked_for: Collection[int] = BY_FILE) -> str:
    """Return what an accepted config holds: sites, crews, strips, weather services and licence, mail, warnings.

    more         warnings beside those of the files alone
    looked_for   the numbers of all the warnings that could come
    """
    n_strips = sum(len(site.strips) for site in config.sites)
    lines = [f"{config.folder}: no fault. {_count(len(config.sites), 'site')}, {_count(n_strips, 'strip')}."]
    for site in config.sites:
        lines += ["", *_site(site, len(config.readings[site.id]))]
    lines += ["", f"Weather, asked in this order, for {config.use} use:"]
    known = services.find()
    for n, asked in enumerate(config.services, start=1):
        service = known[asked.name]
        host = f" at {asked.base_url}" if asked.base_url else ""
        key = "with a key" if asked.key else "without a key"
        if asked.folder is not None:
            host = f" of {asked.source or next(iter(service.sources))}, {asked.days} days, in {asked.folder}"
        lines += [f"  {n}. {service.title} ({asked.name}){host}, {key}"]
        lines += _wrapped(service.licence_note(asked.key), "     ")
        lines += [f"     Printed in every mail: {text} {link}".rstrip() for text, link in service.credit(asked.source)]
    lines += ["", f"Mail: {mail_line(config.transport)}"]
    lines += [f"Operator: {config.operator_address or 'none; faults show in the log and in `gonogo status` alone'}"]
    lines += [f"Store: {shown_url(config.store_url)}"]
    lines += [f"Watch: {_watch(config.watch)}"]
    changed = [s for site in config.sites for s in settings_in_force(config, site.id) if s.origin != "default"]
    lines += [f"Settings: {len({s.name for s in changed})} of {len(setting_rows())} changed; see `gonogo settings`."]
    judged = judge(config.acceptances, [*config.warnings, *more], looked_for=looked_for)
    lines += ["", f"Warnings: {len(judged.standing) or 'none'}"]
    for same in _alike(judged.standing):
        lines += _wrapped(f"{label(same[0].number)} {same[0]}", "    ", first="  - ")
        if len(same) > 1:
            file = _file(same[0])
            keys = ", ".join(w.key if _file(w) == file else f"{w.place}: {w.key}" for w in same[1:])
            lines += _wrapped(f"The same: {keys}", "    ")
    lines += [f"Accepted: {len(judged.accepted)}"] if judged.accepted else []
    for warning, by in judged.accepted:
        lines += _wrapped(f"{label(warning.number)} {warning.key}: {by.reason}", "    ", first="  - ")
    if judged.standing:
        lines += _wrapped(ACCEPT, "")
    return "\n".join(lines) + "\n"


def _alike(warnings: Sequence[Fault]) -> list[list[Fault]]:
    """Return warnings of one number and remedy together where there are more than two."""
    groups: dict[tuple[int, str], list[Fault]] = {}
    for warning in warnings:
        groups.setdefault((warning.number, warning.right), []).append(warning)
    return [part for same in groups.values() for part in ([same] if len(same) > 2 else [[w] for w in same])]


def _file(warning: Fault) -> str:
    """Return the file that a warning is about, without line and column."""
    return re.sub(r":\d+(, column .*)?$", "", warning.place)


def fault_report(error: ConfigError) -> str:
    """Return every fault of a refused config, one after the other, and how many there are."""
    n = len(error.faults)
    lines = [str(fault) for fault in error.faults]
    return "\n".join([*lines, "", f"{_count(n, 'fault')}. Nothing was changed and nothing was run."]) + "\n"


def settings_in_force(config: Config, site_id: str) -> tuple[Setting, ...]:
    """Return every setting of a site with its value in force and who set it, in the order of the table."""
    values, origins = config.settings[site_id], config.setting_origin[site_id]
    return tuple(
        Setting(name=name, value=values[name], origin=origins[name], row=row) for name, row in setting_rows().items()
    )


def settings_report(config: Config | None, site_id: str | None = None) -> str:
    """Return the table of settings: of one site, of every site, or the defaults alone where there is no config.

    Raises KeyError for a site that the config does not hold.
    """
    if config is None:
        rows = setting_rows().items()
        defaults = tuple(Setting(name=n, value=r.value, origin="default", row=r) for n, r in rows)
        return "\n".join(_settings_table("Defaults", defaults)) + "\n"
    lines: list[str] = []
    for wanted in [site_id] if site_id is not None else [site.id for site in config.sites]:
        lines += ["", *_settings_table(f"Site {wanted}", settings_in_force(config, wanted))]
    return "\n".join(lines).lstrip("\n") + "\n"


def shown_url(url: str) -> str:
    """Return a database address without its password."""
    return re.sub(r"^([^:]+://[^:/@]*):.*@", r"\1:(not shown)@", url).partition("?")[0]


def _settings_table(title: str, settings: tuple[Setting, ...]) -> list[str]:
    """Return one line of numbers for each setting, what it means below."""
    lines = [title, "=" * len(title)]
    who = {"site": "site or operator may change it", "operator": "operator may change it", "no": "fixed"}
    for setting in settings:
        row = setting.row
        value, low, high = (_number(v, row.unit) for v in (setting.value, row.min, row.max))
        unit = "" if row.unit in ("-", "yes/no") else f" {row.unit}"
        allowed = "true or false" if row.unit == "yes/no" else f"{low} to {high}{unit}"
        lines += [f"{setting.name} = {value}{unit}   ({setting.origin}; {allowed}; {who[row.change]})"]
        lines += _wrapped(f"{row.help}. Source: {row.source}.", "    ")
    return lines


def _number(value: float, unit: str) -> str:
    if unit == "yes/no":
        return "true" if value else "false"
    return f"{value:g}"


def _site(site: Site, n_readings: int) -> Iterator[str]:
    latitude = f"{abs(site.latitude_deg):g} {'N' if site.latitude_deg >= 0 else 'S'}"
    longitude = f"{abs(site.longitude_deg):g} {'E' if site.longitude_deg >= 0 else 'W'}"
    days = ", ".join(DAYS[day] for day in site.working_days)
    yield f"{site.name} (site {site.id})"
    yield f"  Place: {latitude}, {longitude}, {site.elevation_m:g} m; {site.zone.key}"
    yield f"  Work: {days}; {site.shift_start:%H:%M} to {site.shift_end:%H:%M}; {_days_off(site)}"
    for stop in site.stops:
        yield f"  Stands still: {stop.first_day} to {stop.last_day}{f' ({stop.reason})' if stop.reason else ''}"
    if site.ends_on is not None:
        yield f"  Ends on {site.ends_on}: no mails after it"
    rechecks = ", ".join(f"{at:%H:%M}" for at in site.recheck_at)
    later = f"; checked again at {rechecks}" if rechecks else ""
    yield f"  Mail: due {site.mail_at:%H:%M}, of no use after {site.deadline:%H:%M}{later}"
    for material in site.materials:
        yield from _wrapped(_material(material), "      ", first="  ")
    for crew in site.crews:
        yield from _wrapped(_crew(site, crew), "      ", first="  ")
    yield f"  Strips: {len(site.strips)}, {n_readings} with a moisture test in this file"
    for line in _assumed(site):
        yield from _wrapped(line, "      ", first="  ")


def _days_off(site: Site) -> str:
    """Return what stands for days off beside weekdays: typed dates and a country's calendar."""
    parts = [_count(len(site.holidays), "typed holiday" if site.holiday_country else "holiday")]
    if site.holiday_country:
        where = "-".join(filter(None, (site.holiday_country, site.holiday_state)))
        parts.append(f"public holidays of {where}")
    if site.working_dates:
        parts.append(f"{_count(len(site.working_dates), 'date')} worked all the same")
    return ", ".join(parts)


def _material(material: Material) -> str:
    low, high = material.omc_pct + material.window_low_pct, material.omc_pct + material.window_high_pct
    assumed = f"; assumed: {', '.join(material.assumed)}" if material.assumed else ""
    return (
        f"Material {material.id}, {material.name}: optimum {material.omc_pct:.1f} %, maximum "
        f"{material.mdd_kg_m3:.0f} kg/m3 ({material.test}), window {low:.1f} to {high:.1f} %"
        f"{_kind(material)}{_soil(material)}{assumed}"
    )


def _soil(material: Material) -> str:
    """Return which soil class stands for the group that the laboratory reports, and by what."""
    if not material.soil_group:
        return ""
    textures = material.group_textures
    by = f"{PAIRING_SOURCE} pairs it with {textures}" if textures else "no published table has it"
    return f"; soil class {material.soil_class} by {material.soil_group} ({by})"


def _assumed(site: Site) -> Iterator[str]:
    """Return a line for each machine, and for the strips, of which something is assumed."""
    machines = {m.name: m for crew in site.crews for m in (crew.roller, crew.truck) if m is not None}
    for name, machine in machines.items():
        if machine.assumed:
            values = ", ".join(f"{field} = {getattr(machine, field):g}" for field in machine.assumed)
            yield f"Assumed, as usual for its kind: {name}: {values}"
    densities = [f"{s.id} {s.dry_density_kg_m3:.0f}" for s in site.strips if s.is_density_assumed]
    if densities:
        yield f"Assumed, as a share of the maximum: dry_density_kg_m3 of {', '.join(densities)}"


def _kind(material: Material) -> str:
    """Return what a material is beside a soil with a window, each part after a semicolon."""
    parts = []
    if material.laboratory_omc_pct is not None:
        parts.append(f"corrected for coarse grains, laboratory {material.laboratory_omc_pct:.1f} %")
    if material.is_granular:
        parts.append("clean granular: no wet edge but full pores")
    if material.binder is not None:
        hours = f"{material.binder.mellowing_h:g} to {material.binder.working_time_h:g} h after mixing"
        parts.append(f"treated with {material.binder.kind}, rolled {hours}")
    if material.method is not None:
        parts.append(f"method: {material.method.passes} passes, layers up to {material.method.layer_max_m:g} m")
    return "".join(f"; {part}" for part in parts)


def _crew(site: Site, crew: Crew) -> str:
    own = [strip.id for strip in site.strips if strip.crew_id == crew.id]
    roles = Counter(person.role for person in crew.recipients)
    mails = ", ".join(f"{n} {role}" for role, n in roles.items())
    trucks = ", ".join(truck.name for truck in crew.trucks) or "no water truck"
    rollers = ", ".join(roller.name for roller in crew.rollers)
    strips = f"strips {', '.join(own)}" if own else "no strip"
    return f"Crew {crew.id}, {crew.name}: {rollers}; {trucks}; {strips}; mails to {mails}"


def mail_line(transport: Transport) -> str:
    """Return how mails leave, without the password."""
    if transport.kind == "folder":
        return f"written as files into {transport.folder}; nothing is sent"
    login = f"as {transport.username}" if transport.username else "without a login"
    return f"sent by {transport.host}:{transport.port} ({transport.security}), {login}, from {transport.sender}"


def _watch(watch: Watch) -> str:
    ping = "an address is asked after each good morning" if watch.ping_url else "no ping"
    return f"{ping}; {f'health file {watch.health_file}' if watch.health_file else 'no health file'}"


def _wrapped(text: str, indent: str, *, first: str | None = None) -> list[str]:
    """Return a text in lines of at most WIDTH characters; addresses and paths stay whole."""
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=indent if first is None else first,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"

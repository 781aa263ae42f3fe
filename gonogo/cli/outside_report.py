"""What `gonogo check --mail` and `--weather` try: one test mail, one question to each weather service."""

from __future__ import annotations

import textwrap
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pandas as pd
from pydantic import TypeAdapter, ValidationError

from gonogo import __version__, times
from gonogo.cli.outcome import CommandOutcome, Exit
from gonogo.config import Config
from gonogo.config.report import mail_line
from gonogo.config.values import Address
from gonogo.download import forecasts
from gonogo.download.forecasts import Downloaded
from gonogo.errors import ConfigError, DeliveryError, Fault, WeatherError
from gonogo.mail.letter import Content, Post, raw_message
from gonogo.outgoing.folder import Folder
from gonogo.outgoing.message_id import message_id
from gonogo.outgoing.smtp import Connection
from gonogo.records.outside import ServiceSettings
from gonogo.records.site import Recipient, Site
from gonogo.store.queued import Envelope

WIDTH = 100
LEAST_RAIN_MM = 0.1  # of an hour that counts as rain: what services print
Ask = Callable[[Site, ServiceSettings, datetime], Downloaded]
_ADDRESS: TypeAdapter[str] = TypeAdapter(Address)


def send_test_mail(config: Config, address: str, *, now_utc: datetime) -> CommandOutcome:
    """Send one mail through the transport of the config and say what its server answered. Nothing is stored.

    Raises ConfigError where it is not an address.
    """
    envelope = _envelope(config, checked_address(address), now_utc)
    began_s = time.monotonic()
    answer = ""
    try:
        if config.transport.kind == "folder":
            with Folder(config.transport) as folder:
                folder.deliver(envelope)
        else:
            with Connection(config.transport) as connection:
                connection.deliver(envelope)
                answer = connection.answer
    except DeliveryError as error:
        lines = [f"The test mail to {address} did not go.", *_wrapped(str(error))]
        return CommandOutcome(
            text="\n".join([f"Mail: {mail_line(config.transport)}", *lines]), exit_code=Exit.ATTENTION
        )
    took_s = time.monotonic() - began_s
    if config.transport.kind == "folder":
        result = f"The test mail to {address} was written into {config.transport.folder}; nothing was sent."
    else:
        result = f"The server took the test mail to {address} after {took_s:.1f} s and answered: {answer}"
    more = "" if config.transport.kind == "folder" else "Taken is not yet read: look whether it arrived, and where."
    lines = [*_wrapped(result), *(_wrapped(more) if more else [])]
    return CommandOutcome(text="\n".join([f"Mail: {mail_line(config.transport)}", *lines]), exit_code=Exit.OK)


def checked_address(address: str) -> str:
    """Return an address as it was typed. Raises ConfigError where it is not one."""
    try:
        return _ADDRESS.validate_python(address)
    except ValidationError as error:
        context = error.errors(include_url=False)[0].get("ctx", {})
        fault = Fault(
            place="command line",
            key="--mail",
            value=address,
            wrong=str(context.get("wrong", "is no mail address.")),
            right=str(context.get("right", 'Write the bare address, for example "person@example.com".')),
        )
        raise ConfigError([fault]) from error


def _envelope(config: Config, address: str, now_utc: datetime) -> Envelope:
    day = now_utc.date()
    identity = message_id(config.transport.sender, "test", day, "check", f"{address}|{now_utc.isoformat()}")
    post = Post(
        recipient=Recipient(name="gonogo test", address=address, role="operator"),
        sender=config.transport.sender,
        reply_to=config.transport.reply_to or "",
        message_id=identity,
        date_utc=now_utc,
    )
    subject = f"gonogo: test mail of {now_utc:%Y-%m-%d %H:%M} UTC"
    sites = ", ".join(site.name for site in config.sites)
    text = (
        f"{subject}\n\nThis mail was sent by `gonogo check --mail`. It says nothing of any strip.\n\n"
        f"Mails of these sites will come the same way: {sites}.\nVersion: {__version__}\n"
    )
    return Envelope(
        message_id=identity,
        site_id=config.sites[0].id,
        crew_id="",
        kind="test",
        role="operator",
        name="gonogo test",
        address=address,
        subject=subject,
        raw=raw_message(post, Content(subject=subject, text=text)),
        deadline_utc=now_utc + timedelta(hours=1),
    )


def ask_once(site: Site, settings: ServiceSettings, now_utc: datetime) -> Downloaded:
    """Return what one service answers to one question, without a second try. Raises WeatherError."""
    return forecasts.forecast(site, (replace(settings, retries=0),), now_utc=now_utc)


def weather(config: Config, *, now_utc: datetime, ask: Ask = ask_once) -> CommandOutcome:
    """Ask each weather service once, for the first site, and say what came: source, age, licence, next rain.

    Nothing is stored. Exit code 1 where one gives no usable forecast.
    """
    site = config.sites[0]
    lines = [f"Weather of {site.name} (site {site.id}), each service asked once, for {config.use} use:"]
    licences = forecasts.licence_notes(config.services, use=config.use)
    code = Exit.OK
    for n, (settings, (note, is_allowed)) in enumerate(zip(config.services, licences, strict=True), start=1):
        began_s = time.monotonic()
        try:
            came = ask(site, settings, now_utc)
        except WeatherError as error:
            code = Exit.ATTENTION
            faults = str(error).split("\n")
            remarks = [f"No usable forecast. {line}" for line in dict.fromkeys(faults[1:] or faults)]
        else:
            remarks = _came(came, site, now_utc, time.monotonic() - began_s)
        lines.append(f"  {n}. {settings.name}{f' at {settings.base_url}' if settings.base_url else ''}")
        remarks.append(f"Licence: {'' if is_allowed else 'NOT for this use. '}{note}")
        lines += [line for text in remarks for line in _wrapped(text, "     ")]
    if code is not Exit.OK:
        lines.append("A service that answers nothing usable is passed over for the next one; the last stays without.")
    return CommandOutcome(text="\n".join(lines), exit_code=code)


def _came(came: Downloaded, site: Site, now_utc: datetime, took_s: float) -> list[str]:
    """Return what one answer holds, a sentence each."""
    parsed = came.parsed
    table = came.usable.checked[0] if came.usable is not None else parsed.table.set_index("hour_utc")
    hours = table.index.to_numpy().astype("datetime64[s]")
    now = np.datetime64(now_utc.replace(tzinfo=None), "s")
    back_d, ahead_d = ((now - hours[0]) / np.timedelta64(1, "D"), (hours[-1] - now) / np.timedelta64(1, "D"))
    issued = parsed.issued_utc
    age = "it does not say when the forecast was made"
    if issued is not None:
        age = f"made {issued.astimezone(site.zone):%Y-%m-%d %H:%M}, {(now_utc - issued) / times.HOUR:.1f} h ago"
    offset = came.clock_offset_s
    clock = f" Its clock is {offset:+.0f} s off this machine's." if np.isfinite(offset) and abs(offset) > 60.0 else ""
    return [
        f"Answered after {took_s:.1f} s; {age}. Hours from {back_d:.1f} days back to {ahead_d:.1f} days ahead.{clock}",
        _next_rain(table, site, now_utc),
    ]


def _next_rain(table: pd.DataFrame, site: Site, now_utc: datetime) -> str:
    """Say when it rains next by a table of hours, with the amount of that rain and the chance of its likeliest hour."""
    ahead = table[table.index.to_numpy() >= times.as_hour(now_utc)]
    rain = ahead["rain_mm"].to_numpy(dtype=float)
    wet = np.flatnonzero(rain >= LEAST_RAIN_MM)
    if wet.size == 0:
        return "Next rain: none in this forecast."
    first = last = int(wet[0])
    while last + 1 < rain.size and rain[last + 1] >= LEAST_RAIN_MM:
        last += 1
    begins = times.as_datetime(ahead.index.to_numpy()[first]).astimezone(site.zone)
    chances = ahead["rain_chance"].to_numpy(dtype=float)[first : last + 1]
    chance = f", chance up to {100.0 * np.nanmax(chances):.0f} %" if np.isfinite(chances).any() else ""
    hours = last - first + 1
    return (
        f"Next rain: {begins:%a %Y-%m-%d %H:%M} site time, {rain[first : last + 1].sum():.1f} mm in "
        f"{hours} {'hour' if hours == 1 else 'hours'}{chance}."
    )


def _wrapped(text: str, indent: str = "  ") -> list[str]:
    return [
        line
        for part in text.split("\n")
        for line in textwrap.wrap(
            part, WIDTH, initial_indent=indent, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
        )
    ]

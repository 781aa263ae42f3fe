"""How each key of a config file is written, for the fault about one that is missing or of the wrong kind."""

from __future__ import annotations

from gonogo.records.ranges import RANGES

# An example for every key that has no range in records/ranges.py.
EXAMPLES: dict[str, str] = {
    "ground": '"natural"',
    "name": '"North embankment"',
    "zone": '"America/Chicago"',
    "working_days": '["mon", "tue", "wed", "thu", "fri"]',
    "shift_start": '"07:00"',
    "shift_end": '"17:30"',
    "mail_at": '"05:30"',
    "deadline": '"09:00"',
    "holidays": "[2026-05-25, 2026-07-03]",
    "holiday_country": '"US"',
    "holiday_state": '"IA"',
    "working_dates": "[2026-05-30]",
    "ends_on": "2026-11-30",
    "first_day": "2026-12-21",
    "last_day": "2027-01-08",
    "reason": '"winter break"',
    "recheck_at": '["09:00"]',
    "contract_station": '"Harrow airfield"',
    "soil_class": '"clay"',
    "test": '"ASTM D698"',
    "window_points": "[-2.0, 2.0]",
    "window_ratio": "[0.9, 1.1]",
    "is_granular": "true",
    "is_shale": "true",
    "binder": '"lime"',
    "rollers": '["padfoot"]',
    "sieve_mm": "4.75",
    "drum": '"padded"',
    "vibrates": "true",
    "address": '"person@example.com"',
    "role": '"superintendent"',
    "units": '"metric"',
    "score_mail": "false",
    "language": '"en"',
    "roller": '"padfoot"',
    "truck": '"tanker"',
    "crew": '"north"',
    "material": '"clay"',
    "surface": '"loose"',
    "may_vibrate": "false",
    "finish_by": "2026-05-22",
    "note": '"beside the culvert"',
    "at": "2026-05-11 15:30:00",
    "method": '"nuclear gauge"',
    "use": '"commercial"',
    "operator": '"operator@example.com"',
    "url": '"sqlite:///gonogo.sqlite3"',
    "url_env": '"GONOGO_STORE_URL"',
    "url_file": '"store_url.txt"',
    "kind": '"smtp"',
    "sender": '"gonogo@example.com"',
    "reply_to": '"gonogo@example.com"',
    "folder": '"mails"',
    "host": '"mail.example.com"',
    "security": '"starttls"',
    "username": '"gonogo"',
    "password_env": '"GONOGO_MAIL_PASSWORD"',
    "password_file": '"mail_password.txt"',
    "ca_file": '"firm.pem"',
    "service": '"open_meteo"',
    "source": '"ecmwf"',
    "days": "6",
    "base_url": '"https://weather.example.com/v1/forecast"',
    "contact": '"operator@example.com"',
    "key_env": '"GONOGO_WEATHER_KEY"',
    "key_file": '"weather_key.txt"',
    "ping_url": '"https://watch.example.com/gonogo"',
    "ping_url_env": '"GONOGO_PING_URL"',
    "ping_url_file": '"ping_url.txt"',
    "health_file": '"gonogo-health.json"',
    "trusted_server": '"mail.example.com"',
    "checks_dkim": "true",
    "done": '"gonogo-done"',
    "waiting": '"gonogo-waiting"',
    "other": '"gonogo-other"',
    "maildir": '"answers"',
}
_EXAMPLE_TABLES = {
    "stop": "[[site.stop]] with first_day and last_day",
    "person": "[[crew.north.person]] with name, address and role",
    "reading": "[strip.N1.reading] with w_pct, at and method",
    "treated": "[material.clay.treated] with binder",
    "method_specification": "[material.clay.method_specification] with passes and layer_max_m",
    "oversize": "[material.clay.oversize] with sieve_mm, retained_pct and so on",
}


def example(key: str) -> str:
    """Return how a key is written, as an example."""
    if key in RANGES:
        return f"{key} = {RANGES[key].example} ({RANGES[key].unit})"
    if key in _EXAMPLE_TABLES:
        return _EXAMPLE_TABLES[key]
    return f"{key} = {EXAMPLES[key]}" if key in EXAMPLES else f"{key} = ..."

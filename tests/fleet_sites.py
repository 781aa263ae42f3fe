"""Config folders of many sites, and a weather server on loopback that answers for all of them, for benchmarks."""

from __future__ import annotations

import json
import re
import sys
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

ROOT = Path(__file__).parents[1]
EXAMPLE = ROOT / "config" / "sites" / "harrow-flats.toml"
BODY = ROOT / "fixtures" / "weather" / "open_meteo" / "harrow_flats.json"
READ_ON = datetime(2026, 5, 11, tzinfo=UTC)  # the day before the example's morning


def half_of_the_earth(day: datetime) -> int:
    """Return 1 where the sun of the recorded weather stands as high in the north on a day, -1 where in the south."""
    return 1 if 3 < day.month < 10 else -1


def site_text(n: int, *, is_small: bool, day: datetime) -> str:
    """Return the file of the n-th site: the example's, on its own place and with its own people.

    is_small   3 strips of one crew and 3 mails, in place of 10 strips of two crews and 6 mails
    day        of its morning: the readings lie before it by as much as the example's do
    """
    text = EXAMPLE.read_text(encoding="utf-8")
    if is_small:
        parts = re.split(r"(?m)^(?=\[(?!\[))", text)
        kept = [p for p in parts if not re.match(r"\[(crew\.south|strip\.(?!N[123]\b)|roller\.smooth|truck\.small)", p)]
        text = "".join(kept)
    text = re.sub(r"@example\.com", f".{n}@example.com", text)
    text = text.replace("Harrow Flats", f"Site {n}")
    text = text.replace(
        "latitude_deg = 42.137", f"latitude_deg = {half_of_the_earth(day) * (42.1 + 0.0001 * (n % 1500)):.4f}"
    )
    text = text.replace('working_days = ["mon", "tue", "wed", "thu", "fri", "sat"]',
                        'working_days = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]')  # fmt: skip
    text = re.sub(r"(?m)^(holidays|recheck_at) = .*\n", "", text)
    moved = day.date() - READ_ON.date() - timedelta(days=1)
    return re.sub(
        r"(at|finish_by) = (2026-05-\d\d)",
        lambda found: f"{found[1]} = {datetime.fromisoformat(found[2]).date() + moved}",
        text,
    )


def make(
    folder: Path,
    n_sites: int,
    *,
    is_small: bool,
    weather_port: int,
    mail_port: int,
    store_url: str,
    day: datetime | None = None,
) -> None:
    """Write a config of so many sites whose weather and mails go to servers on loopback; day: of the morning, today."""
    (folder / "sites").mkdir(parents=True)
    # An address with a password stands in the environment: GONOGO_STORE_URL.
    store = f'url = "{store_url}"' if store_url.startswith("sqlite") else 'url_env = "GONOGO_STORE_URL"'
    (folder / "gonogo.toml").write_text(
        f"""use = "non-commercial"
operator = "operator@example.com"
[store]
{store}
[mail]
kind = "smtp"
sender = "gonogo@example.com"
host = "127.0.0.1"
port = {mail_port}
security = "none"
[[weather]]
service = "open_meteo"
base_url = "http://127.0.0.1:{weather_port}/v1/forecast"
""",
        encoding="utf-8",
    )
    day = day or datetime.now(UTC)
    for n in range(n_sites):
        path = folder / "sites" / f"site-{n:05d}.toml"
        path.write_text(site_text(n, is_small=is_small, day=day), encoding="utf-8")


class Weather(BaseHTTPRequestHandler):
    """Answers with the example's weather, begun so many days before today, once for each place asked for."""

    protocol_version = "HTTP/1.1"
    body = b""
    at_utc: datetime | None = None  # what its clock says, None = the machine's

    def date_time_string(self, timestamp: float | None = None) -> str:
        """Return the moment at which it answers."""
        return super().date_time_string(self.at_utc.timestamp() if self.at_utc is not None else timestamp)

    def do_GET(self) -> None:
        n_places = len(parse_qs(urlsplit(self.path).query)["latitude"][0].split(","))
        whole = self.body if n_places == 1 else b"[" + b",".join([self.body] * n_places) + b"]"
        self.send_response(200)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(whole)))
        self.end_headers()
        self.wfile.write(whole)

    def log_message(self, *_: object) -> None:
        """Say nothing."""


def shifted_body(day: datetime) -> bytes:
    """Return the example's weather as if it had been asked for on a day."""
    told = json.loads(BODY.read_text(encoding="utf-8"))
    days = (day.date() - datetime(2026, 5, 12, tzinfo=UTC).date()).days
    told["latitude"] *= half_of_the_earth(day)
    told["hourly"]["time"] = [at + 86_400 * days for at in told["hourly"]["time"]]
    return json.dumps(told, separators=(",", ":")).encode()


def main() -> None:
    """Serve weather until stdin ends; the port goes to stdout. One argument: the moment that it is taken to be."""
    if len(sys.argv) > 1:
        Weather.at_utc = datetime.fromisoformat(sys.argv[1])
    Weather.body = shifted_body(Weather.at_utc or datetime.now(UTC))
    server = ThreadingHTTPServer(("127.0.0.1", 0), Weather)
    print(server.server_port, flush=True)
    import threading

    threading.Thread(target=server.serve_forever, daemon=True).start()
    sys.stdin.readline()


if __name__ == "__main__":
    main()

"""The dead-man's switch: an address asked after each good morning. Whoever watches it raises alarm when it is not."""

from __future__ import annotations

import logging

import requests

from gonogo import __version__

log = logging.getLogger("gonogo.service.ping")

TIMEOUT_S = (5.0, 10.0)  # to connect, and of silence; the answer's body is not read
TRIES = 2


def ping(url: str, site_id: str) -> bool:
    """Ask the address once, twice at the most; return whether it answered with yes. Never raises, never waits long.

    url   {site} in it becomes the site's id. It often holds a key, so no log line names it
    """
    why = ""
    for _ in range(TRIES):
        try:
            with requests.get(
                url.replace("{site}", site_id),
                timeout=TIMEOUT_S,
                headers={"User-Agent": f"gonogo/{__version__}"},
                allow_redirects=False,
                stream=True,
            ) as answer:
                if answer.status_code < 400:
                    return True
                why = str(answer.status_code)
        except (requests.RequestException, ValueError) as error:
            why = type(error).__name__  # its text would name the address
    log.warning("%s: the ping address did not answer (%s)", site_id, why)
    return False

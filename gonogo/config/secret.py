"""Secrets: a config file names an environment variable or a file that holds one, and never the secret itself."""

from __future__ import annotations

import os
import stat
from collections.abc import Mapping

from gonogo.config.lines import Loc
from gonogo.config.toml_file import ConfigFile

LONGEST_SECRET = 4096


def read_secret(
    file: ConfigFile,
    loc: Loc,
    name: str,
    *,
    env: str | None,
    path: str | None,
    environ: Mapping[str, str],
) -> str | None:
    """Return the secret that `<name>_env` or `<name>_file` points to, or None after a fault if it is not there.

    loc   the table; None for both `env` and `path` means that none is wanted
    path  relative paths start at the folder of the config file
    """
    if env is not None and path is not None:
        file.add_fault(
            (*loc, f"{name}_file"), f"stands beside {name}_env: only one can hold.", "Delete one of the two."
        )
        return None
    if env is not None:
        found = environ.get(env, "")
        if not found.strip():
            file.add_fault(
                (*loc, f"{name}_env"),
                "names an environment variable that is not set, or empty.",
                f"Set it before gonogo starts, for example: export {env}=...",
            )
            return None
        return found.strip()
    return _secret_of_file(file, (*loc, f"{name}_file"), path) if path is not None else None


def _secret_of_file(file: ConfigFile, loc: Loc, path: str) -> str | None:
    """Return the text of a secret file; a fault where there is none, a warning where others can read it."""
    place = file.path.parent / path
    right = f"Put the secret alone into {place} and let nobody else read it: chmod 600 {place}"
    try:
        mode = place.stat().st_mode
        if not stat.S_ISREG(mode):
            file.add_fault(loc, "is not a file.", right)
            return None
        with place.open("rb") as opened:
            secret = opened.read(LONGEST_SECRET + 1).decode("utf-8").strip()
    except OSError as error:
        file.add_fault(loc, f"cannot be read: {error.strerror}.", right)
        return None
    except ValueError:  # not UTF-8
        file.add_fault(loc, "does not hold plain text.", right)
        return None
    if not secret or not secret.isprintable() or len(secret) > LONGEST_SECRET:
        file.add_fault(loc, "does not hold one line of text.", right)
        return None
    if os.name == "posix" and mode & (stat.S_IRWXG | stat.S_IRWXO):
        file.warn(10, loc, "can be read by other users of this machine.", f"Close it: chmod 600 {place}")
    return secret

"""Puts a new config into its folder: whole and accepted, or not at all."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from gonogo import config as configs
from gonogo.config.new_site import NewSite, files_of_new
from gonogo.errors import ConfigError, Fault


def require_empty(folder: Path) -> None:
    """Raise ConfigError unless a folder is new or holds nothing: what stands somewhere is never overwritten."""
    if folder.is_dir() and not any(folder.iterdir()):
        return
    if folder.exists() or folder.is_symlink():
        wrong, right = "holds something already.", "Name a new folder; nothing is ever overwritten."
        raise ConfigError([Fault(place="command line", key="folder", value=str(folder), wrong=wrong, right=right)])


def write(folder: Path, new: NewSite, lists: Mapping[str, Path], environ: Mapping[str, str]) -> configs.Config:
    """Write a new config, the lists that were brought as they are, and return it as `gonogo check` reads it.

    It is built beside the folder, read as a whole, and only then moved there. Raises ConfigError with all that the
    config reader refuses, places of lists as the person named them; nothing stays behind.
    """
    folder = folder.absolute()
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        built = Path(tempfile.mkdtemp(prefix=".gonogo-new-", dir=folder.parent))
    except OSError as error:
        wrong = f"cannot be written: {error.strerror}."
        fault = Fault(place="command line", key="folder", value=str(folder), wrong=wrong, right="Name another folder.")
        raise ConfigError([fault]) from error
    try:
        for name, text in files_of_new(new).items():
            (built / name).parent.mkdir(parents=True, exist_ok=True)
            (built / name).write_text(text, encoding="utf-8")
        beside = built / configs.SITES_FOLDER / new.id
        for name, path in lists.items():
            beside.mkdir(exist_ok=True)
            shutil.copyfile(path, beside / name)
        try:
            configs.load(built, environ=environ)
        except ConfigError as error:
            raise ConfigError([_as_named(fault, beside, lists, built) for fault in error.faults]) from error
        require_empty(folder)
        if folder.is_dir():
            folder.rmdir()
        os.chmod(built, 0o700)
        built.rename(folder)
    finally:
        shutil.rmtree(built, ignore_errors=True)
    return configs.load(folder, environ=environ)


def _as_named(fault: Fault, beside: Path, lists: Mapping[str, Path], built: Path) -> Fault:
    """Return a fault at the place that the person knows: the list that was named, not its copy."""
    place = fault.place
    for name, path in lists.items():
        place = place.replace(str(beside / name), str(path))
    return replace(fault, place=place.replace(f"{built}{os.sep}", "(not written) "))

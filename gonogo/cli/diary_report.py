"""What `gonogo diary` does: writes a site's book into a folder, or checks one that was written."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from gonogo.book import diary, export
from gonogo.book.export import Covered
from gonogo.cli.outcome import CommandOutcome, Exit
from gonogo.config import Config
from gonogo.wording.language import Speaker


def write(
    config: Config, covered: Covered, *, folder: Path, now_utc: datetime, speak: Speaker, say: Callable[[str], None]
) -> CommandOutcome:
    """Write the book and say what was written. Raises StoreError, GonogoError."""
    written = diary.write(config, covered, folder=folder, now_utc=now_utc, speak=speak, say=say)
    rows = ", ".join(f"{name} {n}" for name, n in written.n_rows.items())
    lines = [
        f"{covered.site.name}, {covered.first} to {covered.last}: rows written to {folder}: {rows}.",
        "To print: " + ", ".join(str(page) for page in written.pages),
        f"SHA-256 of its description: {written.sha256}",
        "Send that number to whoever shall be able to tell later that nothing was altered; check with "
        f"gonogo diary --verify {folder}",
        export.NOT_THE_STATION,
    ]
    return CommandOutcome(text="\n".join(lines), exit_code=Exit.OK)


def verify(folder: Path) -> CommandOutcome:
    """Check an exported folder and say what was altered. Raises GonogoError where it holds no diary."""
    faults, sha256 = export.verified(folder)
    if faults:
        return CommandOutcome(text="\n".join([*faults, "This is not what was exported."]), exit_code=Exit.ATTENTION)
    text = f"{folder}: as exported, if its description is the one with this SHA-256:\n{sha256}"
    return CommandOutcome(text=text, exit_code=Exit.OK)

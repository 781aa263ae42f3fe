"""What `gonogo score` shows: how right a site's mails were, as text and as a page."""

from __future__ import annotations

from pathlib import Path

from gonogo.book import evidence, score, score_view
from gonogo.book.export import Covered
from gonogo.cli.outcome import CommandOutcome, Exit
from gonogo.config import Config
from gonogo.errors import GonogoError
from gonogo.store import schema
from gonogo.store.open import open_store
from gonogo.wording.language import Speaker


def show(config: Config, covered: Covered, *, speak: Speaker, html: Path | None) -> CommandOutcome:
    """Return the score of some days; with html, write the page there too. Raises StoreError, GonogoError."""
    store = open_store(config)
    try:
        with schema.read(store) as connection:
            found = score.scored(evidence.gathered(connection, covered, config.readings[covered.site.id]))
    finally:
        store.dispose()
    shown = score_view.text(score_view.view(covered, found, speak))
    if html is not None:
        try:
            html.write_text(score_view.page(covered, found, speak), encoding="utf-8")
        except OSError as error:
            raise GonogoError(f"{html} cannot be written: {error.strerror}. Name another file with --html.") from error
        shown += f"\n\nPage written to {html}."
    return CommandOutcome(text=shown, exit_code=Exit.OK)

"""What each command's exit code says, for its help; the numbers stand in outcome.Exit."""

from __future__ import annotations

WRONG_INPUT = "2 wrong input, nothing was changed"
REFUSED = "the database or a file refused"
# By command: what 0 means, what 1 means, and 3 where it has one.
MEANINGS: dict[str, tuple[str, ...]] = {
    "demo": ("0 written", "1 the folder cannot be written or holds something else"),
    "new": ("0 written, and `gonogo check` accepts it", "1 the folder cannot be written or holds something else"),
    "grid-fetch": ("0 the newest run is stored", "1 it could not be brought"),
    "check": ("0 no fault, whatever the warnings", "1 the test mail or a weather service failed"),
    "strips": ("0 shown or changed", "1 the file cannot be written"),
    "settings": ("0 shown",),
    "morning": (
        "0 verdicts made and mails delivered, or shown",
        f"1 a mail was not delivered, or {REFUSED}",
        "3 no verdict could be made and the mails say so",
    ),
    "weather": ("0 shown", "1 no usable forecast"),
    "outlook": ("0 shown", f"1 {REFUSED}", "3 there is no outlook"),
    "whatif": ("0 shown", f"1 {REFUSED}", "3 there is no usable weather"),
    "serve": ("0 it was told to stop", "1 services of another version are at work"),
    "sent": ("0 shown", "1 no such mail is stored"),
    "diary": ("0 written, or found as it was exported", "1 not what was exported, or not written"),
    "score": ("0 shown", f"1 {REFUSED}"),
    "inbox": ("0 all answers taken", "1 the mailbox or an answer could not be read"),
    "sheet": ("0 written", f"1 {REFUSED}"),
    "status": ("0 all well", "1 somebody must look"),
    "forget": ("0 done", "1 done, but a place could not be cleaned"),
    "backtest": ("0 done", "1 the files cannot be used or written"),
    "learned": ("0 shown or forgotten", f"1 {REFUSED}"),
    "record": ("0 stored", f"1 {REFUSED}, nothing was stored"),
}
OTHERS = ("0 done", f"1 {REFUSED}")


def epilog(command: str) -> str:
    """Return the line that ends the help of a command."""
    first, *more = MEANINGS.get(command, OTHERS)
    kept = [text for text in more if text.startswith("1")] or [f"1 {REFUSED}"]
    rest = [text for text in more if not text.startswith("1")]
    return f"Exit codes: {'; '.join([first, *kept, WRONG_INPUT, *rest])}."

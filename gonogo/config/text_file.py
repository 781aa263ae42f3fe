"""A file that a person wrote, as text: bounded, UTF-8, without NUL; or in words what is wrong with it."""

from __future__ import annotations

from pathlib import Path

from gonogo.errors import ConfigError, Fault

LARGEST_BYTES = 20_000_000  # a logger's line a minute for a year is 15 MB
_SETTING = (
    'Or write csv_encoding = "windows-1252" under [site], where its spreadsheets save so (Latin-1 is part of it). '
)
_MARKS_OF_UTF_16 = (b"\xff\xfe", b"\xfe\xff")


class UnreadableFileError(Exception):
    """A file that is no text. line: where it shows, None for the whole file."""

    def __init__(self, wrong: str, right: str, line: int | None = None) -> None:
        self.wrong, self.right, self.line = wrong, right, line
        super().__init__(wrong)


def text_to_store(path: Path, encoding: str = "utf-8") -> str:
    """Return the text of a file whose lines are to be stored. Raises ConfigError.

    encoding   of a file that is no UTF-8, as the site's config says; without that nobody can tell what was meant
    """
    try:
        return text_of(path, encoding)
    except UnreadableFileError as error:
        place = f"{path}:{error.line}" if error.line else str(path)
        setting = _SETTING if error.wrong.startswith("is not UTF-8 text") else ""
        right = f"{error.right} {setting}Nothing was stored."
        raise ConfigError([Fault(place=place, key="file", value="", wrong=error.wrong, right=right)]) from error


def text_of(path: Path, encoding: str = "utf-8") -> str:
    """Return the text of a file with plain line ends. Raises UnreadableFileError.

    encoding   read by it what is no UTF-8: text of another encoding is hardly ever valid UTF-8 by chance
    """
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_BYTES + 1)
    except (OSError, ValueError) as error:  # ValueError: a NUL in the path
        reason = error.strerror if isinstance(error, OSError) else "its name cannot be"
        raise UnreadableFileError(f"cannot be read: {reason}.", "Put the file there and let gonogo read it.") from error
    if len(content) > LARGEST_BYTES:
        raise UnreadableFileError(f"is larger than {LARGEST_BYTES // 1_000_000} MB.", "Name a file of plain text.")
    if content.startswith(_MARKS_OF_UTF_16):
        raise UnreadableFileError("is UTF-16, not UTF-8 text.", "Save it as UTF-8.")
    if b"\0" in content:
        line = content.count(b"\n", 0, content.index(b"\0")) + 1
        raise UnreadableFileError("holds a NUL: it is no plain text.", "Save it as UTF-8.", line)
    try:
        text = _decoded(content, encoding)
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        tried = "UTF-8" if error.encoding == "utf-8" else f"UTF-8 nor {encoding}"
        wrong = f"is not {tried} text (byte {error.start}, 0x{content[error.start]:02x})."
        raise UnreadableFileError(wrong, "Save it as UTF-8.", line) from error
    return text.replace("\r\n", "\n")


def _decoded(content: bytes, encoding: str) -> str:
    """Return bytes as text. Raises UnicodeDecodeError."""
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        if encoding == "utf-8":
            raise
    return content.decode(encoding)

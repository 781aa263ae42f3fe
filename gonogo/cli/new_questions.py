"""One question at a time: from an option, from a terminal, or from lines on standard input."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from gonogo.errors import ConfigError, Fault

ValueT = TypeVar("ValueT")
Refused = tuple[str, str]
PLACE = "command line"


class WrongAnswerError(ValueError):
    """An impossible answer: what is wrong, what would be right."""

    def __init__(self, wrong: str, right: str) -> None:
        self.wrong, self.right = wrong, right
        super().__init__(f"{wrong} {right}")


class Asker:
    """Asks, and keeps what nobody answered.

    read         the next line of standard input, None where it ended
    say          shows a question or what was made of an answer
    is_terminal  somebody sits there: a wrong answer is asked again; on a pipe the lines after it would answer the wrong
                 questions, so that it ends
    n_asked      questions that were shown
    """

    def __init__(self, read: Callable[[], str | None], say: Callable[[str], None], *, is_terminal: bool) -> None:
        self._read, self.say, self.is_terminal = read, say, is_terminal
        self.n_asked = 0
        self._missing: dict[str, Fault] = {}

    def ask(
        self,
        text: str,
        parse: Callable[[str], ValueT],
        *,
        key: str,
        example: str,
        given: str = "",
        default: str | None = None,
    ) -> ValueT:
        """Return an answer: given by the option `key`, else typed, else the default.

        parse raises WrongAnswerError. Where nobody answers and there is no default, the question is kept as missing and
        the example stands in, so that all that is missing can be said together.
        """
        if given:
            try:
                return parse(given)
            except WrongAnswerError as error:
                raise self._refused(key, given, error) from error
        hint = f" [{default}]" if default else " []" if default == "" else f" (such as {example})"
        while True:
            self.n_asked += 1
            self.say(f"{text}{hint}: ")
            line = self._read()
            answer = (line or "").strip()
            if not answer and default is not None:
                return parse(default)
            if line is None:
                right = f'Give {key}, or answer on standard input, for example "{example}".'
                wrong = f"is missing: {text[0].lower()}{text[1:]}."
                self._missing.setdefault(key, Fault(place=PLACE, key=key, value="", wrong=wrong, right=right))
                return parse(example)
            try:
                return parse(answer)
            except WrongAnswerError as error:
                if not self.is_terminal:
                    raise self._refused(text, answer, error) from error
                self.say(f"  {error.wrong[0].upper()}{error.wrong[1:]} {error.right}\n")

    def require_all(self) -> None:
        """Raise ConfigError with all that nobody answered."""
        if self._missing:
            raise ConfigError(list(self._missing.values()))

    def _refused(self, key: str, value: str, error: WrongAnswerError) -> ConfigError:
        right = f"{error.right} Nothing was written."
        return ConfigError([Fault(place=PLACE, key=key, value=value, wrong=error.wrong, right=right)])

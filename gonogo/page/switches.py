"""One page for readers of several languages and both unit systems: a switch of each kind, without a script.

Each page stands whole in the file, and all but the chosen one are hidden; a printer gets the chosen one without the
switches. A browser that knows no style sheet shows all of them, one below the other.
"""

from __future__ import annotations

import html
from collections.abc import Mapping

Reader = tuple[str, str]  # language and unit system
_BODY, _END = "<body>", "</body>"
_HEAD_END = "</style>"
_UNITS = {"metric": "m · L · °C", "us": "ft · gal · °F"}
_STYLE = """
body > input.switch { margin: 12px 4px 0 16px; }
body > input.switch + label { display: inline-block; white-space: nowrap; padding-right: 4px; }
main { display: none; }
%s { display: block; }
@media print { body > input.switch, body > input.switch + label { display: none; } }
"""


def switched(pages: Mapping[Reader, str], names: Mapping[str, str]) -> str:
    """Return one page that holds several; the first is shown until a reader chooses another.

    pages   whole pages, each with one <main>, by language and unit system: all pairs of the languages and the systems
    names   of the languages, each in its own
    """
    first = next(iter(pages))
    if len(pages) == 1:
        return pages[first]
    languages = list(dict.fromkeys(language for language, _ in pages))
    systems = list(dict.fromkeys(units for _, units in pages))
    chosen = ", ".join(
        f"#language-{language}:checked ~ #units-{units}:checked ~ main.{language}.{units}" for language, units in pages
    )
    head, _, _ = pages[first].partition(_BODY)
    switches = [_switch("language", language, names[language], is_on=language == first[0]) for language in languages]
    switches += [_switch("units", units, _UNITS[units], is_on=units == first[1]) for units in systems]
    bodies = [_main(page, *reader) for reader, page in pages.items()]
    return "\n".join(
        [head.replace(_HEAD_END, _STYLE % chosen + _HEAD_END, 1) + _BODY, *switches, *bodies, _END, "</html>", ""]
    )


def _switch(kind: str, value: str, label: str, *, is_on: bool) -> str:
    name = f"{kind}-{value}"
    on = " checked" if is_on else ""
    shown = f'<label for="{name}">{html.escape(label)}</label>'
    return f'<input class="switch" type="radio" name="{kind}" id="{name}" autocomplete="off"{on}>{shown}'


def _main(page: str, language: str, units: str) -> str:
    """Return what stands in the body of a page, as the part of one reader."""
    inside = page.partition(_BODY)[2].rpartition(_END)[0].strip()
    return inside.replace("<main>", f'<main class="{language} {units}" lang="{language}">', 1)

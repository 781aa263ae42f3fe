"""The table of mornings beside the guide: written, shown, and judged.

    python tests/guide_table table.csv              all 1,638 mornings; a quarter of an hour
    python tests/guide_table table.csv clay "mild"  of some soil classes and weathers
    python tests/guide_table --resume table.csv     what the file does not hold yet, after a run that was ended

Every morning goes from config, weather and entries to its day plan. A row of the CSV is a morning; the text shows a
grid of each soil class, lift and weather by deviation. What differs from the guide is counted under its explanation in
explained.toml, and listed where it has none: then the exit code is 1.
"""

from __future__ import annotations

import csv
import io
import sys
import tomllib
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

FOLDER = Path(__file__).parent
sys.path[:0] = [str(FOLDER.parent), str(FOLDER.parent / "mornings")]

from guide_table import guide  # noqa: E402  the builders of the tests first
from guide_table.mornings import DEVIATIONS, LIFTS_MM, SKIES, SOILS, Morning, mornings  # noqa: E402

SHORT = {
    guide.ROLL: "roll",
    guide.DAMP: "damp",
    guide.WATER: "water",
    guide.TEST: "test",
    guide.DISK: "disk",
    guide.TREAT_OR_DISK: "t/disk",
    guide.REMOVE: "treat",
    guide.CLEAR: "clear",
    guide.WAIT: "wait",
}
CHANCES = ("chance_in_window", "chance_too_wet", "chance_too_dry")
HEAD = ("soil", "lift_mm", "sky", "deviation", "states", "answer", "agrees", "verdict", "reason", "from", "until",
        "next", "litres_m2", "disk", "top_pct", "base_pct", "advice", "test", "chance_in", "chance_wet", "chance_dry",
        "explained")  # fmt: skip


def row(morning: Morning, why: str) -> list[object]:
    """Return a morning as a row of the CSV."""
    d, plan = morning.decision, morning.plan
    back = plan.dry_back
    disk = "" if back is None else "; ".join(f"{at:%d %H:%M}" for at in back.disk_utc) + f" ({back.chance:.2f})"
    return [
        morning.soil, morning.lift_mm, morning.sky, morning.deviation, "/".join(guide.states(morning)),
        guide.answer(morning), int(guide.agrees(morning)), d.verdict, d.reason,
        "" if d.from_utc is None else f"{d.from_utc:%H:%M}", "" if d.until_utc is None else f"{d.until_utc:%H:%M}",
        "" if plan.next is None or plan.next.at_utc is None else f"{plan.next.at_utc:%d %H:%M}",
        "" if d.water is None else f"{d.water.litres_m2:.1f}", disk, f"{d.w_top_pct:.1f}", f"{d.w_base_pct:.1f}",
        " ".join(d.advice), " ".join(d.test),
        *(f"{d.facts.get(name, float('nan')):.2f}" for name in CHANCES),
        why,
    ]  # fmt: skip


def explanations() -> list[dict[str, object]]:
    """Return the rows of explained.toml."""
    return list(tomllib.loads((FOLDER / "explained.toml").read_text(encoding="utf-8")).get("difference", []))


def explained(morning: Morning, rows: Sequence[dict[str, object]]) -> str:
    """Return the title of the explanation of a morning that differs, "" where it has none."""
    own = {
        "soil": morning.soil,
        "sky": morning.sky,
        "lift_mm": morning.lift_mm,
        "deviation": morning.deviation,
        "answer": guide.answer(morning),
        "reason": morning.decision.reason,
        "states": "/".join(guide.states(morning)),
    }
    return next((str(r["title"]) for r in rows if all(own[k] in r[k] for k in own if k in r)), "")


def main(arguments: Sequence[str]) -> int:
    """Write the table and show it; return the exit code."""
    resumes = "--resume" in arguments
    out, *chosen = (argument for argument in arguments if argument != "--resume")
    soils = [s for s in SOILS if s in chosen] or list(SOILS)
    skies = [s for s in SKIES if s in chosen] or list(SKIES)
    path, rows = Path(out), explanations()
    done = {(r["soil"], r["sky"]) for r in _read(path)} if resumes and path.exists() else set()
    with path.open("a" if done else "w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        if not done:
            writer.writerow(HEAD)
        for soil in soils:
            for sky in skies:
                if (soil, sky) in done:
                    continue
                made = list(mornings(soil, sky))
                _show(made)
                whole = io.StringIO()
                for morning in made:
                    differs = not guide.agrees(morning)
                    csv.writer(whole).writerow(row(morning, explained(morning, rows) if differs else ""))
                file.write(whole.getvalue())  # a cell of the table is there whole or not at all
                file.flush()
    return _summed_up(_read(path))


def _read(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def _summed_up(found: Sequence[dict[str, str]]) -> int:
    """Show how many mornings are as the guide has them, and which differ for no reason given; return the exit code."""
    print(f"\n{len(found)} mornings")
    counts = Counter("as the guide" if r["agrees"] == "1" else r["explained"] or "no explanation" for r in found)
    for title, count in counts.most_common():
        print(f"{count:6d}  {title}")
    bare = [r for r in found if r["agrees"] == "0" and not r["explained"]]
    for r in bare:
        wanted = " or ".join(dict.fromkeys(a for s in r["states"].split("/") for a in guide.GUIDE[s][r["sky"]]))
        print(f"differs: {r['soil']}, {r['lift_mm']} mm, {r['sky']}, {int(r['deviation']):+d}: "
              f"{r['answer']} ({r['reason']}), the guide: {wanted}")  # fmt: skip
    return 1 if bare else 0


def _show(made: Sequence[Morning]) -> None:
    """Print the grid of one soil class and weather."""
    first = made[0]
    print(f"\n{first.soil}, {first.sky}\n{'':8}" + "".join(f"{d:+7d}" for d in DEVIATIONS))
    for lift_mm in LIFTS_MM:
        cells = [m for m in made if m.lift_mm == lift_mm]
        shown = "".join(f"{SHORT[guide.answer(m)] + ('' if guide.agrees(m) else '!'):>7}" for m in cells)
        print(f"{lift_mm:5d} mm{shown}", flush=True)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

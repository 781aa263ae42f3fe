"""The mail's foot says what of soils, lifts and machines is assumed, and nothing where all was stated."""

from __future__ import annotations

from dataclasses import replace

import mail_scene as scene
import pytest

from gonogo.mail.assumed import assumed
from gonogo.wording.language import languages, speaker


@pytest.mark.parametrize("language", languages())
def test_each_assumption_is_a_sentence(language: str) -> None:
    crew = scene.site().crews[0]
    guessed = replace(
        scene.site(),
        crews=(replace(crew, roller=replace(crew.roller, assumed=("efficiency", "passes"))),),
        materials=(scene.material(soil_group="USCS CL", group_textures="clay loam"),),
        strips=tuple(replace(s, is_density_assumed=True, material_id="clay") for s in scene.site().strips[:1]),
    )
    made = assumed(replace(scene.morning(), site=guessed, crews=guessed.crews))
    assert [p.key for p in made] == ["unsure.soil_by_group", "unsure.assumed_density", "unsure.assumed_machine"]
    text = " ".join(speaker(language, "metric").say(p) for p in made)
    assert "USCS CL" in text
    assert crew.roller.name in text


def test_nothing_is_said_where_all_was_stated() -> None:
    assert assumed(scene.morning()) == ()

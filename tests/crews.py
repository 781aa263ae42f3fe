"""Many crews, each with its own strips and people, for tests and benchmarks of whole mornings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from gonogo.config import Config
from gonogo.records.field import Reading
from gonogo.records.site import Site


def many_crews(loaded: Config, *, site_id: str, n_crews: int, strips_per_crew: int, seed: int) -> Config:
    """Return the example config with one site of many crews; no two strips have the same reading or size."""
    rng = np.random.default_rng(seed)
    site = loaded.sites[0]
    old_readings = {reading.strip_id: reading for reading in loaded.readings[site.id]}
    crews, strips, readings = [], [], []
    for c in range(n_crews):
        model = site.crews[c % len(site.crews)]
        crew_id = f"c{c}"
        people = tuple(
            replace(person, name=f"{person.name} {c}", address=f"{person.role}.{c}.{site_id}@example.com")
            for person in model.recipients
        )
        crews.append(replace(model, id=crew_id, name=f"{model.name} {c}", recipients=people))
        own = [strip for strip in site.strips if strip.crew_id == model.id]
        for s in range(strips_per_crew):
            like = own[s % len(own)]
            strip_id = f"{like.id}x{c}x{s}"
            strips.append(
                replace(
                    like,
                    id=strip_id,
                    name=f"{like.name} {c}",
                    crew_id=crew_id,
                    length_m=like.length_m * rng.uniform(0.7, 1.3),
                )
            )
            reading: Reading = old_readings[like.id]
            readings.append(replace(reading, strip_id=strip_id, w_pct=float(reading.w_pct * rng.uniform(0.93, 1.07))))
    made: Site = replace(site, id=site_id, name=f"{site.name} {site_id}", crews=tuple(crews), strips=tuple(strips))
    return replace(
        loaded,
        sites=(made,),
        settings={site_id: loaded.settings[site.id]},
        setting_origin={site_id: loaded.setting_origin[site.id]},
        readings={site_id: tuple(readings)},
    )

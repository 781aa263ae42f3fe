"""A config of many sites in memory: the example's, under other names."""

from __future__ import annotations

from dataclasses import replace

from gonogo.config import Config


def many_sites(loaded: Config, n_sites: int) -> Config:
    """Return a config with so many copies of its first site: site-0, site-1, ..."""
    model = loaded.sites[0]
    sites = tuple(replace(model, id=f"site-{n}", name=f"Site {n}") for n in range(n_sites))
    named = {
        name: dict.fromkeys((site.id for site in sites), getattr(loaded, name)[model.id])
        for name in ("settings", "setting_origin", "readings")
    }
    return replace(loaded, sites=sites, **named)

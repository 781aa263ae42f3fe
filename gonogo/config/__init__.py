"""Config: TOML files in, frozen records out; every complaint names file, key, value and remedy."""

from gonogo.config.load import Config, load

__all__ = ["Config", "load"]

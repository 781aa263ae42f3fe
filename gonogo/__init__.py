"""gonogo: every morning, strip by strip: compact, water first, or wait."""

__version__ = "2026.2"

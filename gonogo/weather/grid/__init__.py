"""Forecasts that come as fields on a grid (GRIB2): whole runs of a model, from which each site's own series is read."""

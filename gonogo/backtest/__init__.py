"""Forecasts made again from every reading of the past, to see how good they would have been."""

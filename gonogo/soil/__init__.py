"""Soil physics: arrays in, arrays out. Knows nothing of sites, weather services or mails."""

"""Weather in: open services, one hourly table, checks and the forecast status."""

"""The running service: schedule, watch over runs, config watcher, health, ping, logs."""

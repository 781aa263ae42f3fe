"""One file a step, in order of its number."""

"""The outlook as one self-contained page for a desk or a wall: no script, no file beside it."""

"""Weather services asked over HTTP, bounded, and what came of it."""

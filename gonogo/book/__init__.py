"""The site's book: what was told, done, measured and lost to weather, as tables that an office can keep."""

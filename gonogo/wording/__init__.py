"""What a reader sees: phrases with typed gaps, rounded once, and the words of each language."""

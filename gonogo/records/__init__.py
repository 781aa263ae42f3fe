"""The nouns: frozen records that every room above shares."""

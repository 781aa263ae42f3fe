"""Mails: one view of the morning, rendered by role, language and units."""

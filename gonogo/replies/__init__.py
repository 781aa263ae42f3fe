"""Answers to mails: what was written, what it means, and what is said back. Pure: mailbox and database stand above."""

"""The way in for answers to mails: the mailbox, and the one transaction in which an answer is taken."""

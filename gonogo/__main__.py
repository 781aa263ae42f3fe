"""The command `gonogo`."""

from __future__ import annotations

import os
import sys

from gonogo.cli import app


def main() -> None:
    """Run the command line and turn our own errors into words and an exit code."""
    os.umask(0o077)  # mails, pages and databases name people: for their owner alone
    sys.exit(app.run(sys.argv[1:]))


if __name__ == "__main__":
    main()

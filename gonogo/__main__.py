"""The command `gonogo`. Only the command line's own library is imported before a command is chosen."""

from __future__ import annotations

import sys


def main() -> None:
    """Run the command line and turn our own errors into words and an exit code."""
    from gonogo.cli import app

    sys.exit(app.run(sys.argv[1:]))


if __name__ == "__main__":
    main()

"""The command `gonogo`."""

from __future__ import annotations

import os
import sys

from gonogo.cli import app


def main() -> None:
    """Run the command line and turn our own errors into words and an exit code."""
    # Arrays are small and many runs go on beside each other: threads of the linear algebra would only wait for each
    # other, which costs a sixth of a morning, and split sums in another way. Read once, when numpy is first imported.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    os.umask(0o077)  # mails, pages and databases name people: for their owner alone
    sys.exit(app.run(sys.argv[1:]))


if __name__ == "__main__":
    main()

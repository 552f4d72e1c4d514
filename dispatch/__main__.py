"""``python -m dispatch``, and what the ``dispatch`` command runs."""

from __future__ import annotations

import sys


def main() -> None:
    """Run the command line; leave with its exit code."""
    try:
        from dispatch.cli.streams import patient_streams  # noqa: PLC0415 - an interrupt may come as early as this

        with patient_streams():
            from dispatch.cli.app import app  # noqa: PLC0415

            app(prog_name="dispatch")
    except KeyboardInterrupt:  # while importing: too early for a message to help
        sys.exit(130)


if __name__ == "__main__":
    main()

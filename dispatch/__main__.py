"""``python -m dispatch``, and what the ``dispatch`` command runs."""

from __future__ import annotations


def main() -> None:
    """Run the command line; leave with its exit code, or as a signal says."""
    from dispatch.cli.leaving import ears  # noqa: PLC0415 - an interrupt may come as early as this
    from dispatch.cli.streams import open_what_is_closed, patient_streams  # noqa: PLC0415

    open_what_is_closed()  # before anything else takes the place of a stream
    with ears() as heard, patient_streams():
        from dispatch.cli.app import app  # noqa: PLC0415 - slow: from here on a signal ends it at once

        heard.unwinds = True
        app(prog_name="dispatch")


if __name__ == "__main__":
    main()

"""``combust`` and ``python -m combust``: what a signal does is settled first, the commands are loaded after it."""

from combust.edge import interrupt


def run() -> None:
    """Run the command line; a signal ends it with code 128 + its number, or comes too late to change anything."""
    interrupt.guard()
    try:
        from combust.edge.cli.main import main

        main()
    finally:
        interrupt.ignore()


if __name__ == "__main__":
    run()

#!/usr/bin/env python3
"""The command line of Third Coat."""

import os
import sys


def main() -> None:
    """Run the command named on the command line."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "flips.settings")
    # Settings are read before any command sees its options, so what `start` changes in them is said here.
    if sys.argv[1:2] == ["start"]:
        os.environ["THIRD_COAT_SERVING"] = "1"
        if "--demo" in sys.argv[2:]:
            os.environ["THIRD_COAT_DEMO"] = "1"
    if sys.argv[1:2] == ["compute"]:
        # An engine needs neither records nor apps: not setting Django up saves most of the time an answer takes.
        from estimating.management.commands.compute import Command

        Command().run_from_argv(sys.argv)
        return
    try:
        from django.conf import settings
        from django.core.management import execute_from_command_line
    except ImportError:
        sys.exit(
            "Django is not installed for this Python. Run it as .venv/bin/python manage.py, see README.md."
        )
    from flips.addresses import WrongAddress

    try:
        settings.DATABASES  # noqa: B018
    except WrongAddress as problem:
        sys.exit(str(problem))
    except OSError as problem:
        sys.exit(
            f"The data folder cannot be used: {problem}. Set THIRD_COAT_DATA to a folder that can be written."
        )
    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()

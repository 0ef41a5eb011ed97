"""``compute NAME < in.json > out.json``: one engine, one question, one answer, no database."""

from __future__ import annotations

import sys
from argparse import RawDescriptionHelpFormatter
from functools import partial
from typing import Any, NoReturn

from django.core.management.base import BaseCommand, CommandError, CommandParser

from estimating import compute


class Command(BaseCommand):
    """Answers on standard output; any refusal is exit code 2 and one line on standard error."""

    help = "Ask one engine: compute NAME < in.json > out.json. See compute --list and compute NAME --help."
    requires_system_checks = []
    requires_migrations_checks = False

    def create_parser(self, prog_name: str, subcommand: str, **kwargs: Any) -> CommandParser:
        """The parser with a help option of its own, so that ``compute NAME --help`` can tell about NAME."""
        kwargs |= {"add_help": False, "formatter_class": RawDescriptionHelpFormatter}
        parser = super().create_parser(prog_name, subcommand, **kwargs)
        # argparse answers a bad option with a page of usage; here a refusal is one line.
        parser.error = partial(self._refuse, None)  # type: ignore[method-assign]
        return parser

    def add_arguments(self, parser: CommandParser) -> None:
        """The engine's name and the settings of a layout."""
        parser.add_argument("name", nargs="?", metavar="NAME", help="which engine; see --list")
        parser.add_argument("--list", action="store_true", dest="list_names", help="name the engines")
        parser.add_argument(
            "-h", "--help", action="store_true", dest="show_help", help="about NAME, or about all"
        )
        parser.add_argument("--seconds", type=float, help="time limit of a layout (sheets)")
        parser.add_argument("--seed", type=int, help="seed of a layout's search (sheets)")
        parser.add_argument(
            "--iterations", type=int, help="fixed number of rounds, the same on any machine (sheets)"
        )
        parser.add_argument("--max-stages", type=int, help="at most so many stages of cuts (sheets)")

    def handle(self, *_: Any, **options: Any) -> None:
        """Writes the whole answer or nothing."""
        name = options["name"]
        try:
            self.stdout.write(self._answer(name, options))
        except ValueError as refusal:
            self._refuse(name, str(refusal))
        except Exception as failure:
            # A stray type deep in the input must read as a refusal, not as a page of traceback.
            if options.get("traceback"):
                raise
            self._refuse(name, f"this input could not be worked out ({type(failure).__name__}: {failure})")

    def _answer(self, name: str | None, options: dict[str, Any]) -> str:
        if options["list_names"]:
            return "\n".join(f"{tool.name:<10} {tool.summary}" for tool in compute.TOOLS.values())
        if name is None:
            if options["show_help"]:
                return f"{self.create_parser('manage.py', 'compute').format_help()}\nNAME is one of: {', '.join(compute.TOOLS)}"
            raise ValueError(f"name one of: {', '.join(compute.TOOLS)}")
        tool = compute.find(name)
        if options["show_help"]:
            return tool.help()
        chosen = self._options(options)
        payload = compute.decode(sys.stdin.buffer.read())
        return compute.encode(tool.run(payload, chosen))

    def _options(self, options: dict[str, Any]) -> compute.Options:
        seconds = options["seconds"]
        if seconds is not None and not 0 < seconds <= 3600:
            raise ValueError("--seconds must be above 0 and at most 3600")
        for field in ("iterations", "max_stages"):
            if options[field] is not None and options[field] < 1:
                raise ValueError(f"--{field.replace('_', '-')} must be at least 1")
        return compute.Options(seconds, options["seed"], options["iterations"], options["max_stages"])

    def _refuse(self, name: str | None, message: str) -> NoReturn:
        line = " ".join(f"{name or 'compute'}: {message}".split())
        if getattr(self, "_called_from_command_line", False):
            sys.stderr.write(line + "\n")
            raise SystemExit(2)
        raise CommandError(line, returncode=2)

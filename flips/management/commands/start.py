"""`python manage.py start`: bring the shop up, ready for a phone in the same network."""

import errno
import os
import socket
import sys
from argparse import ArgumentParser
from typing import Any

from django.apps import apps
from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError
from django.db import DatabaseError, connections, transaction

from flips.addresses import lan_address
from flips.data_folder import sweep_drafts
from flips.terminal_code import drawn_for_terminal

THREADS = 16
EVERYWHERE = ("0.0.0.0", "::")


class Command(BaseCommand):
    """Migrates, collects static files, seeds the demo once, and serves until Ctrl-C."""

    help = "Start Third Coat and show the address to open on a phone."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: ArgumentParser) -> None:
        """What may be chosen on the command line."""
        parser.add_argument("--demo", action="store_true", help="a made-up shop to try, in its own database")
        parser.add_argument("--port", type=int, default=8000)
        parser.add_argument("--host", default="0.0.0.0", help="127.0.0.1 shows it to this machine only")
        parser.add_argument("--workers", type=int, default=2, help="server processes, each with 16 threads")

    def handle(self, *, demo: bool, port: int, host: str, workers: int, **_options: Any) -> None:
        """Everything up to the last request."""
        if not settings.SERVING or demo != settings.DEMO:
            raise CommandError("Run it as: python manage.py start")
        refuse_taken_port(host, port)
        try:
            self.prepare(demo=demo)
            self.show_addresses(host, port)
            serve(host=host, port=port, workers=workers)
        except KeyboardInterrupt:
            pass
        self.stdout.write("Third Coat has stopped. Everything saved is kept.")

    def prepare(self, *, demo: bool) -> None:
        """The database and static files are as this version of the program needs them."""
        self.stdout.write(f"Records and photos are in {settings.DATA}")
        try:
            call_command("migrate", interactive=False, verbosity=0)
        except DatabaseError as problem:
            raise CommandError(f"The database cannot be used: {problem}") from problem
        call_command("collectstatic", interactive=False, verbosity=0)
        sweep_drafts(settings.PHOTOS)
        if demo and not apps.get_model("flips", "Shop").objects.exists():
            self.stdout.write("Building the demo shop, this takes a moment ...")
            self.stdout.flush()
            # A demo that was stopped halfway is begun again, not continued.
            with transaction.atomic():
                call_command("seed_shop")

    def show_addresses(self, host: str, port: int) -> None:
        """The addresses on the screen, and a code to scan where there is a screen."""
        nearby = lan_address() if host in EVERYWHERE else None
        address = str(settings.PUBLIC_ADDRESS) or (f"http://{nearby}:{port}" if nearby else "")
        shown = "localhost" if host in EVERYWHERE else f"[{host}]" if ":" in host else host
        lines = [f"Third Coat is at  http://{shown}:{port}/  on this machine"]
        if address:
            where = "" if settings.PUBLIC_ADDRESS.is_set else "  from a phone in the same network"
            lines.append(f"             and  {address}/{where}")
        if demo_note := "This is the demo: its log-ins are on its log-in page." if settings.DEMO else "":
            lines.append(demo_note)
        self.stdout.write("\n".join(lines))
        if address and self.stdout.isatty():
            try:
                self.stdout.write(drawn_for_terminal(f"{address}/"))
            except UnicodeEncodeError:
                self.stdout.write("(This terminal cannot show the code to scan: type the address.)")
        self.stdout.write("Stop it with Ctrl-C.")
        self.stdout.flush()


def refuse_taken_port(host: str, port: int) -> None:
    """CommandError with what to do instead, when nothing can listen on `host` and `port`."""
    problem = _problem_with(host, port)
    if problem is None:
        return
    if problem.errno == errno.EADDRINUSE:
        free = next(
            (other for other in range(port + 1, min(port + 100, 65536)) if not _problem_with(host, other)),
            None,
        )
        instead = (
            f"python manage.py start --port {free}"
            if free
            else "python manage.py start --port N, with a free N"
        )
        raise CommandError(
            f"Port {port} is taken: perhaps Third Coat is running already. Stop that program, or run: {instead}"
        )
    if problem.errno in (errno.EACCES, errno.EPERM):
        raise CommandError(
            f"Port {port} may not be used by an ordinary program. Choose one from 1024 up, like 8000."
        )
    raise CommandError(f"Cannot listen on {host} port {port}: {problem.strerror or problem}")


def _problem_with(host: str, port: int) -> OSError | None:
    # Name look-up would quietly take the remainder by 65536.
    if not 0 < port < 65536:
        return OSError(errno.EINVAL, "a port is a number from 1 to 65535")
    try:
        family, kind, protocol, _name, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        with socket.socket(family, kind, protocol) as probe:
            if os.name != "nt":
                # A port that was in use a moment ago is free to take.
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind(address)
    except OSError as problem:
        return problem
    return None


def serve(*, host: str, port: int, workers: int) -> None:
    """Answer requests until a signal says stop; then finish those under way."""
    from granian import Granian
    from granian.constants import Interfaces
    from granian.log import LogLevels

    # Worker processes may start as copies of this one, and a database connection must not be shared.
    connections.close_all()
    sys.stdout.flush()
    Granian(
        "flips.wsgi:application",
        address=host,
        port=port,
        interface=Interfaces.WSGI,
        workers=workers,
        blocking_threads=THREADS,
        log_level=LogLevels.error,
        respawn_failed_workers=True,
        workers_kill_timeout=10,
        working_dir=settings.BASE_DIR,
    ).serve()

"""Where the shop is reached: the public address and what follows from it, and the addresses of this machine."""

import ipaddress
import re
import socket
from dataclasses import dataclass
from urllib.parse import urlsplit

LOOPBACK = ("localhost", "127.0.0.1", "[::1]")
# RFC 6598, section 7: shared address space, which private overlay networks use too.
SHARED_SPACE = ipaddress.ip_network("100.64.0.0/10")
HOST_NAME = re.compile(r"(?!-)[a-z0-9-]{1,63}(?<!-)(\.(?!-)[a-z0-9-]{1,63}(?<!-))*", re.IGNORECASE)


class WrongAddress(ValueError):
    """The public URL cannot be used; the text says what would be right."""


@dataclass(frozen=True)
class PublicAddress:
    """The address people type, or none: hosts, origins and cookie flags derived from it alone."""

    scheme: str = ""
    host: str = ""
    port: int | None = None

    @classmethod
    def read(cls, text: str) -> "PublicAddress":
        """The address in `text` ("" means none); WrongAddress tells what to write instead."""
        text = text.strip()
        if not text:
            return cls()
        example = "Set THIRD_COAT_PUBLIC_URL to the address people type, like https://shop.example.org"
        try:
            parts = urlsplit(text)
            port = parts.port
        except ValueError:
            raise WrongAddress(
                f"THIRD_COAT_PUBLIC_URL is {text!r}, which is not an address. {example}."
            ) from None
        if parts.scheme not in ("http", "https") or not parts.hostname:
            raise WrongAddress(
                f"THIRD_COAT_PUBLIC_URL is {text!r}: it must start with https:// or http://. {example}."
            )
        if parts.path.strip("/") or parts.query or parts.fragment or parts.username:
            raise WrongAddress(
                f"THIRD_COAT_PUBLIC_URL is {text!r}: it must end after the host name. {example}."
            )
        if ":" not in parts.hostname and not HOST_NAME.fullmatch(parts.hostname):
            raise WrongAddress(
                f"THIRD_COAT_PUBLIC_URL is {text!r}: {parts.hostname!r} is no host name. {example}."
            )
        host = f"[{parts.hostname}]" if ":" in parts.hostname else parts.hostname
        return cls(parts.scheme, host, port)

    @property
    def is_set(self) -> bool:
        """Whether an address was given at all."""
        return bool(self.host)

    @property
    def is_https(self) -> bool:
        """Whether cookies may travel over an encrypted connection only."""
        return self.scheme == "https"

    @property
    def hosts(self) -> list[str]:
        """Hosts to allow; "*" without an address, where `known_address` asks `is_near` instead."""
        return [self.host, *LOOPBACK] if self.is_set else ["*"]

    @property
    def origins(self) -> list[str]:
        """Origins whose forms are taken."""
        return [str(self)] if self.is_set else []

    def __str__(self) -> str:
        return f"{self.scheme}://{self.host}" + (f":{self.port}" if self.port else "") if self.is_set else ""


def is_near(host: str) -> bool:
    """Whether `host` (a Host header, with or without port) names this machine or a private network address.

    An address in figures cannot be pointed here by somebody else's name server, so any private one is safe to take.
    """
    name = host_without_port(host).lower().rstrip(".")
    own = socket.gethostname().lower()
    if name in LOOPBACK or name in (own, own.split(".")[0], f"{own.split('.')[0]}.local"):
        return True
    try:
        address = ipaddress.ip_address(name.strip("[]").split("%")[0])
    except ValueError:
        return False
    return address.is_private or address.is_link_local or (address.version == 4 and address in SHARED_SPACE)


def host_without_port(host: str) -> str:
    """`host` without its port; an IPv6 address keeps its brackets."""
    return host.rsplit(":", 1)[0] if re.search(r"(^|\]|^[^:]*):\d+$", host) else host


def lan_address() -> str | None:
    """This machine's address in its own network, or None when it has none; nothing is sent to find out."""
    for family, elsewhere in ((socket.AF_INET, "192.0.2.1"), (socket.AF_INET6, "2001:db8::1")):
        try:
            # Connecting a datagram socket only chooses the way out (documentation addresses: RFC 5737, RFC 3849).
            with socket.socket(family, socket.SOCK_DGRAM) as probe:
                probe.connect((elsewhere, 9))
                found = str(probe.getsockname()[0])
        except OSError:
            continue
        if not ipaddress.ip_address(found.split("%", maxsplit=1)[0]).is_loopback:
            return f"[{found}]" if ":" in found else found
    return None

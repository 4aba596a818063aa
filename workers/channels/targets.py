"""Where a webhook may go: what an address of the web must look like, and which addresses of machines are let through.

Owners of watches write these, and any of them may try to reach what only this machine can: its own services, the
studio's network, a cloud's credentials. A name is judged here by its form alone; what it leads to is judged by
`connecting.py` at the moment of the connection, since a name may lead elsewhere a second later.
"""

import ipaddress
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import httpx

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
Network = ipaddress.IPv4Network | ipaddress.IPv6Network

LONGEST_URL = 2000
HIGHEST_PORT = 65_535
# The ports that the Fetch Standard of WHATWG blocks, section "port blocking" (from memory), because what listens there
# would take lines of a request for words of its own protocol; then PostgreSQL, Redis and memcached for the same reason.
# fmt: off
BAD_PORTS = frozenset({
    0,
    1, 7, 9, 11, 13, 15, 17, 19, 20, 21, 22, 23, 25, 37, 42, 43, 53, 69, 77, 79, 87, 95, 101, 102, 103, 104,
    109, 110, 111, 113, 115, 117, 119, 123, 135, 137, 139, 143, 161, 179, 389, 427, 465, 512, 513, 514, 515,
    526, 530, 531, 532, 540, 548, 554, 556, 563, 587, 601, 636, 989, 990, 993, 995, 1719, 1720, 1723, 2049,
    3659, 4045, 4190, 5060, 5061, 6000, 6566, 6665, 6666, 6667, 6668, 6669, 6679, 6697, 10080,
    5432, 6379, 11211,
})
# fmt: on
_LABEL = re.compile(r"[a-z0-9_]([a-z0-9_-]{0,61}[a-z0-9_])?")
# Resolvers read 2130706433, 0x7f.1 and 0177.0.0.1 as addresses; the URL Standard of WHATWG calls it "ends in a number".
_NUMBER = re.compile(r"[0-9]+|0x[0-9a-f]*")


def _networks(texts: Mapping[str, str]) -> Mapping[Network, str]:
    return MappingProxyType({ipaddress.ip_network(text): what for text, what in texts.items()})


# IANA's registries of special-purpose addresses (RFC 6890), from memory, multicast, and what clouds answer their own
# machines at. Not by `ipaddress.is_private`, whose answer changed between releases of Python. The first that holds an
# address names it.
SPECIAL = _networks(
    {
        "169.254.169.254/32": "a cloud's metadata",
        "168.63.129.16/32": "a cloud's metadata",
        "100.100.100.200/32": "a cloud's metadata",
        "fd00:ec2::254/128": "a cloud's metadata",
        "0.0.0.0/32": "unspecified",
        "0.0.0.0/8": "reserved",
        "10.0.0.0/8": "private",
        "100.64.0.0/10": "a carrier's own",
        "127.0.0.0/8": "loopback",
        "169.254.0.0/16": "link-local",
        "172.16.0.0/12": "private",
        "192.0.0.0/24": "reserved",
        "192.0.2.0/24": "reserved",
        "192.88.99.0/24": "reserved",
        "192.168.0.0/16": "private",
        "198.18.0.0/15": "reserved",
        "198.51.100.0/24": "reserved",
        "203.0.113.0/24": "reserved",
        "224.0.0.0/4": "multicast",
        "240.0.0.0/4": "reserved",
        "::/128": "unspecified",
        "::1/128": "loopback",
        "fc00::/7": "unique local",
        "fe80::/10": "link-local",
        "fec0::/10": "link-local",
        "ff00::/8": "multicast",
        "2001::/23": "reserved",
        "2001:db8::/32": "reserved",
        "2002::/16": "6to4, which is given up",
        "3fff::/20": "reserved",
    }
)
GLOBAL = ipaddress.IPv6Network("2000::/3")
# What these addresses of version 6 lead to is the address of version 4 in their last 32 bits (RFC 6052, RFC 4291).
CARRIERS = (ipaddress.IPv6Network("64:ff9b::/96"), ipaddress.IPv6Network("::ffff:0:0/96"))


@dataclass(frozen=True, slots=True)
class Place:
    """An address of the web, taken apart: `host` in ASCII, a name or an address; `path` with what is asked of it."""

    scheme: str
    host: str
    port: int
    path: str

    @property
    def named(self) -> str:
        """Host and port, which are no secret as the path may be."""
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"

    @property
    def authority(self) -> str:
        """What the header `Host` says: the port where it is not the scheme's own (RFC 9110, 7.2)."""
        return self.named.removesuffix(f":{_default_port(self.scheme)}")


def place_of(url: str) -> Place:
    """The parts of an address. Raises ValueError, which says what would be right and never repeats the address."""
    if len(url) > LONGEST_URL:
        raise ValueError(f"it has at most {LONGEST_URL} characters")
    if not url.isprintable() or any(letter in url for letter in ' \\"<>^`{|}'):
        raise ValueError("it has no spaces, control characters or backslashes; write them as %20 and the like")
    scheme, _, rest = url.partition("://")
    authority = re.split(r"[/?#]", rest, maxsplit=1)[0]
    if scheme.lower() not in {"https", "http"} or not authority:
        raise ValueError("it begins with https:// and the name of a host")
    if "@" in authority:
        raise ValueError("it has no user and password; the receiver knows us by the signature")
    if "#" in url:
        raise ValueError("leave out what follows #: it is never sent")
    try:
        read = httpx.URL(url)
        host, port = read.raw_host.decode("ascii"), read.port
    except (httpx.InvalidURL, UnicodeError, ValueError):
        raise ValueError("it is no address of the web") from None
    place = Place(
        read.scheme, host, _default_port(read.scheme) if port is None else port, read.raw_path.decode("ascii")
    )
    _check_host(place.host)
    if place.port > HIGHEST_PORT:
        raise ValueError(f"a port is a number up to {HIGHEST_PORT}")
    if place.port in BAD_PORTS:
        raise ValueError(f"port {place.port} is that of another protocol; webhooks are taken at a port of their own")
    return place


def literal(host: str) -> Address | None:
    """The address a host is written as, None of a name."""
    try:
        return ipaddress.ip_address(host)
    except ValueError:
        return None


def what_bars(address: Address, allowed: Iterable[Network]) -> str | None:
    """What an address is that keeps it from being connected to, "loopback"; None where nothing does."""
    if within(address, allowed):
        return None
    inner = carried(address)
    for network, what in SPECIAL.items():
        if inner.version == network.version and inner in network:
            return what
    return "reserved" if inner.version == 6 and inner not in GLOBAL else None  # noqa: PLR2004 - the version of the protocol


def within(address: Address, networks: Iterable[Network]) -> bool:
    """Whether an address, or the one it carries, lies in one of the networks."""
    both = {address, carried(address)}
    return any(each.version == network.version and each in network for network in networks for each in both)


def carried(address: Address) -> Address:
    """The address of version 4 that one of version 6 leads to; else the address itself."""
    if isinstance(address, ipaddress.IPv6Address) and any(address in carrier for carrier in CARRIERS):
        return ipaddress.IPv4Address(int(address) & 0xFFFF_FFFF)
    return address


def _default_port(scheme: str) -> int:
    return 443 if scheme == "https" else 80


def _check_host(host: str) -> None:
    if literal(host) is not None and "%" not in host:
        return
    *_, last = labels = host.split(".")
    if not last:
        raise ValueError("leave out the dot at the end of the host's name")
    if _NUMBER.fullmatch(last):
        raise ValueError("an address in numbers is four decimal numbers with dots, without leading zeros: 192.0.2.7")
    if not all(_LABEL.fullmatch(label) for label in labels):
        raise ValueError("the name of its host has letters, digits, hyphens and dots alone")

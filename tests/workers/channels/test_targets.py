"""Which addresses a webhook may have and may reach, whatever its owner writes."""

import ipaddress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from workers.channels.targets import SPECIAL, Address, carried, place_of, what_bars

# Let through by the standard library, and barred here: relays of 6to4, addresses of clouds, and all that is allotted to
# protocols, of which the library's releases let through different parts.
STRICTER = [
    ipaddress.ip_network(text)
    for text in ("192.88.99.0/24", "168.63.129.16/32", "192.0.0.0/24", "2001::/23", "2002::/16", "3fff::/20")
]


def by_the_library(address: Address) -> bool:
    """Whether the standard library calls it an address of one machine in the public net."""
    other = address.is_multicast or address.is_reserved or address.is_link_local or address.is_unspecified
    return address.is_global and not other and not getattr(address, "is_site_local", False)


def edges() -> list[Address]:
    """The first and last address of every special network, and their neighbours outside."""
    return [
        type(network.network_address)(number)
        for network in SPECIAL
        for number in (int(network[0]) - 1, int(network[0]), int(network[-1]), int(network[-1]) + 1)
        if 0 <= number < 2**network.max_prefixlen
    ]


def test_at_the_edges_of_special_networks_it_judges_as_the_standard_library() -> None:
    for address in edges():
        stricter = any(each.version == address.version and address in each for each in STRICTER)
        # The library knows some parts of 2000::/3 alone as special, and takes unallotted ones for public.
        unallotted = address.version == 6 and address not in ipaddress.ip_network("2000::/3")
        if not (stricter or unallotted):
            assert (what_bars(address, ()) is None) == by_the_library(address), address
        else:
            assert what_bars(address, ()) is not None, address
    assert all(what_bars(network[0], ()) == what for network, what in SPECIAL.items() if network[0].version == 6)


@given(st.one_of(st.ip_addresses(v=4), st.ip_addresses(v=6)))
def test_nothing_is_let_through_that_the_standard_library_calls_special(address: Address) -> None:
    if what_bars(address, ()) is None:
        assert by_the_library(carried(address))


@given(st.ip_addresses(v=4))
def test_what_carries_an_address_of_version_4_is_judged_by_that(inner: ipaddress.IPv4Address) -> None:
    judged = what_bars(inner, ())
    for carrier in ("::ffff:0:0", "64:ff9b::"):
        carrying = ipaddress.IPv6Address(int(ipaddress.IPv6Address(carrier)) + int(inner))
        assert what_bars(carrying, ()) == judged
        assert what_bars(carrying, [ipaddress.ip_network(f"{inner}/32")]) is None


def test_the_operator_opens_networks_and_nothing_beside_them() -> None:
    opened = [ipaddress.ip_network("10.20.0.0/16"), ipaddress.ip_network("fd12::/16")]
    told = [
        what_bars(ipaddress.ip_address(each), opened) for each in ("10.20.255.255", "fd12::7", "10.21.0.0", "fd13::")
    ]
    assert told == [None, None, "private", "unique local"]


@pytest.mark.parametrize(
    ("url", "right"),
    [
        ("ftp://hooks.studio.example/", "begins with https://"),
        ("hooks.studio.example", "begins with https://"),
        ("https:///notices", "begins with https://"),
        ("https://hooks.studio.example@10.0.0.1/", "no user and password"),
        ("https://:@hooks.studio.example/", "no user and password"),
        ("https://hooks.studio.example\\@10.0.0.1/", "backslashes"),
        ("https://hooks.studio.example/\r\nhost: other", "control characters"),
        ("https://hooks.studio.example/a b", "no spaces"),
        ("https://hooks.studio.example/#part", "what follows #"),
        ("https://hooks.studio.example./", "dot at the end"),
        ("https://hooks.studio.example:25/", "port 25"),
        ("https://hooks.studio.example:0/", "port 0"),
        ("https://hooks.studio.example:70000/", "up to 65535"),
        ("https://2130706433/", "four decimal numbers"),
        ("https://127.1/", "four decimal numbers"),
        ("https://0177.0.0.1/", "no address of the web"),
        ("https://0x7f.1/", "four decimal numbers"),
        ("https://0x7F000001/", "four decimal numbers"),
        ("https://127.0.0.1./", "dot at the end"),
        ("https://１２７.0.0.1/", "no address of the web"),  # noqa: RUF001 - digits that a normal form makes plain ones
        ("https://ⓛocalhost/", "no address of the web"),
        ("https://%6cocalhost/", "letters, digits"),
        ("https://hooks..example/", "letters, digits"),
        ("https://[::1/", "no address of the web"),
        ("https://[fe80::1%25lo]/", "letters, digits"),
        ("https://" + "a" * 64 + ".example/", "letters, digits"),
        ("https://hooks.studio.example/" + "a" * 2000, "at most 2000"),
    ],
)
def test_what_is_no_target_is_told_what_would_be_right(url: str, right: str) -> None:
    with pytest.raises(ValueError, match=right) as refused:
        place_of(url)
    assert url not in str(refused.value)


def test_a_target_is_taken_apart() -> None:
    place = place_of("HTTPS://Hooks.Bühne.example/tiedown?key=1")
    assert (place.scheme, place.host, place.port, place.path) == (
        "https",
        "hooks.xn--bhne-0ra.example",
        443,
        "/tiedown?key=1",
    )
    assert (place.named, place.authority) == ("hooks.xn--bhne-0ra.example:443", "hooks.xn--bhne-0ra.example")
    there = place_of("http://[fd12::7]:8080")
    assert (there.host, there.named, there.authority, there.path) == (
        "fd12::7",
        "[fd12::7]:8080",
        "[fd12::7]:8080",
        "/",
    )

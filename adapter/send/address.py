"""Addresses of servers: which may be used, which are on this machine, which belong together."""

from __future__ import annotations

import ipaddress

import httpx


def checked(base_url: str, allow_plain_http: bool = False) -> httpx.URL:
    """A server's address without a slash at its end.

    Raises ``ValueError`` for what is no http address, holds a password, or is plain http to another machine
    where that was not allowed.
    """
    try:
        url = httpx.URL(base_url.rstrip("/"))
    except httpx.InvalidURL as error:
        raise ValueError(f"not a server's address: {error}") from None
    if url.scheme not in ("http", "https") or not url.host or url.query or url.fragment:
        raise ValueError("a server's address looks like https://server/fhir")
    if url.userinfo:
        raise ValueError("a server's address holds no user name or password; give them another way")
    if url.scheme == "http" and not allow_plain_http and not on_this_machine(url):
        raise ValueError(f"plain http to {url.host} could be read on the way; use https")
    return url


def on_this_machine(url: httpx.URL) -> bool:
    """Whether the address is loopback."""
    if url.host == "localhost":
        return True
    try:
        return ipaddress.ip_address(url.host).is_loopback
    except ValueError:
        return False


def origin(url: httpx.URL) -> str:
    """Scheme, host and port: what may be told of an address, and what decides whether two are one server."""
    port = url.port or {"http": 80, "https": 443}.get(url.scheme)
    return f"{url.scheme}://{url.host}:{port}"

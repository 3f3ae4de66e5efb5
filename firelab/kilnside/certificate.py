"""A certificate and its key for https, checked before any phone is let in.

A browser keeps the page for a reload without connection only where it trusts the
connection. What would make it refuse is said here, by a handshake of the server with
itself, instead of on a phone beside a hot kiln.
"""

from __future__ import annotations

import ssl
from ipaddress import ip_address
from pathlib import Path
from typing import Any

from firelab.errors import FirelabError, UsageError, quoted

_NOT_YET, _RUN_OUT = 9, 10
"""X509_V_ERR_CERT_NOT_YET_VALID and X509_V_ERR_CERT_HAS_EXPIRED of OpenSSL."""
_AT_ANY_TIME = 0x200000
"""X509_V_FLAG_NO_CHECK_TIME of OpenSSL."""
_ANOTHER_NAME = {62, 64}
"""X509_V_ERR_HOSTNAME_MISMATCH and X509_V_ERR_IP_ADDRESS_MISMATCH of OpenSSL."""


def tls_context(certificate: Path, key: Path, *, host: str) -> ssl.SSLContext:
    """Return what a server needs for https, TLS 1.2 or later.

    Parameters
    ----------
    certificate : Path
        PEM file of the server's certificate, those that signed it behind it.
    key : Path
        PEM file of its private key, without passphrase.
    host : str
        Name or address by which phones open the page; the certificate names it.

    Raises
    ------
    FirelabError
        If a file is missing or is not what it should be, if the key is another
        certificate's, or if a browser would refuse the certificate: run out, not yet
        valid, or without the host among its names.
    """
    for path in (certificate, key):
        try:
            path.read_bytes()
        except OSError as fault:
            hint = "give a file in PEM, and where it lies"
            raise FirelabError(
                f"cannot be read: {fault.strerror}", str(path), hint=hint
            ) from None
    client = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    client.hostname_checks_common_name = False  # as browsers do: RFC 9110, 4.3.4
    client.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
    try:
        client.load_verify_locations(cafile=certificate)
    except ssl.SSLError:
        raise FirelabError(
            "holds no certificate", str(certificate), hint="give a file in PEM"
        ) from None
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server.minimum_version = ssl.TLSVersion.TLSv1_2
    _load(server, certificate, key)
    _check_as_a_browser(server, client, certificate, host)
    return server


def _load(server: ssl.SSLContext, certificate: Path, key: Path) -> None:
    def no_passphrase() -> str:
        raise FirelabError(
            "is encrypted by a passphrase",
            str(key),
            hint=f"write one without: openssl pkey -in {quoted(key)} -out open.key",
        )

    try:
        server.load_cert_chain(certificate, key, password=no_passphrase)
    except ssl.SSLError as fault:
        if fault.reason == "KEY_VALUES_MISMATCH":
            raise FirelabError(
                f"is not the key of {certificate}", str(key), hint="give the two of a pair"
            ) from None
        if fault.reason is not None and "TOO_SMALL" in fault.reason:
            raise FirelabError(
                "is too weak to be served with", str(certificate), hint="make a new pair"
            ) from None
        raise FirelabError(
            "holds no private key", str(key), hint="give a file in PEM"
        ) from None


def _check_as_a_browser(
    server: ssl.SSLContext, client: ssl.SSLContext, certificate: Path, host: str
) -> None:
    """Refuse what a browser refuses, but for who signed it, which the phone knows."""
    try:
        _shake_hands(server, client, host)
        return
    except ssl.SSLCertVerificationError as fault:
        code, words = fault.verify_code, fault.verify_message
    except ValueError:
        raise UsageError(f"{host!r} is no name of a machine", "--host") from None
    client.check_hostname = False
    client.verify_flags |= _AT_ANY_TIME
    if code in (_NOT_YET, _RUN_OUT):
        dates = _shake_hands(server, client, host)
        what = f"is valid from {dates['notBefore']} to {dates['notAfter']}, not today"
        hint = "make a new one, or set this machine's clock"
    elif code in _ANOTHER_NAME:
        named = _shake_hands(server, client, host).get("subjectAltName", ())
        what = f"names {', '.join(name for _, name in named) or 'no machine'}, not {host}"
        hint = f'make one with -addext "subjectAltName={_kind(host)}:{host}"'
        if named:
            hint = f"say --host {named[0][1]}, or {hint}"
    else:
        what = f"is refused by browsers: {words}"
        hint = 'make one with -addext "extendedKeyUsage=serverAuth"'
    raise FirelabError(what, str(certificate), hint=hint)


def _kind(host: str) -> str:
    try:
        ip_address(host)
    except ValueError:
        return "DNS"
    return "IP"


def _shake_hands(
    server: ssl.SSLContext, client: ssl.SSLContext, host: str
) -> dict[str, Any]:
    """Return what the certificate says, after a handshake in memory."""
    to_server, to_client = ssl.MemoryBIO(), ssl.MemoryBIO()
    ends = [
        client.wrap_bio(to_client, to_server, server_hostname=host),
        server.wrap_bio(to_server, to_client, server_side=True),
    ]
    waiting = list(ends)
    while waiting:
        for end in tuple(waiting):
            try:
                end.do_handshake()
                waiting.remove(end)
            except ssl.SSLWantReadError:
                continue
    return ends[0].getpeercert() or {}

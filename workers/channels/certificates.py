"""Whose certificates are believed: those of the public authorities, and of the operator's own."""

import ssl
from pathlib import Path

import httpx


def trusting(ca_file: Path | None) -> ssl.SSLContext:
    """A context that checks a server's certificate and its name, whatever the environment says.

    `ca_file` holds further authorities, in PEM. Raises ValueError where it cannot be read.
    """
    context = httpx.create_ssl_context(trust_env=False)
    context.set_alpn_protocols(["http/1.1"])
    if ca_file is not None:
        try:
            context.load_verify_locations(cafile=ca_file)
        except (OSError, ssl.SSLError) as error:
            raise ValueError(f"ca_file: {ca_file} cannot be read as certificates in PEM: {error}") from error
    return context


def doubt(error: BaseException) -> str | None:
    """What is wrong with a certificate, where that is why a connection failed; None where it is not."""
    cause: BaseException | None = error
    while cause is not None:
        if isinstance(cause, ssl.SSLCertVerificationError):
            return cause.verify_message
        cause = cause.__cause__ or cause.__context__
    return None

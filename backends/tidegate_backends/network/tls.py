"""TLS to a network socket or broker, always verified, and what its failures mean.

There is no way to switch the verification off: a socket with a certificate of its
own making is trusted by naming that certificate, or the site's CA, as ``ca``.
"""

from __future__ import annotations

import errno
import os
import socket
import ssl

from tidegate.errors import BackendError, Malformed, Refused, Unavailable, Unsupported


def context(
    *, ca: str | None, certificate: str | None, key: str | None, target: str
) -> ssl.SSLContext:
    """Return what verifies the peer, and shows our own certificate if there is one.

    With ``ca`` only what it signed is trusted, else what this machine trusts. Blocks:
    for the backend's thread. Errors: Unavailable, Refused, Unsupported.
    """
    path = ca
    try:
        made = ssl.create_default_context(cafile=ca)
        if certificate is not None:
            path = certificate
            # Asked for by nobody: a key with a passphrase would wait for a terminal.
            made.load_cert_chain(certificate, key, password=lambda: "")
    except PermissionError as error:
        raise Refused(
            f"{path} may not be read",
            target=target,
            remedy="Give it to the user of this service.",
        ) from error
    except ssl.SSLError as error:
        raise Unsupported(
            f"{path} is no certificate in PEM form, or its key is another one "
            f"({_reason(error)})",
            target=target,
            remedy="Look at it with: openssl x509 -noout -text -in FILE",
        ) from error
    except OSError as error:
        raise Unavailable(
            f"{path} cannot be read ({error.strerror})",
            target=target,
            remedy="Write it where the settings say.",
        ) from error
    return made


def failure(error: OSError, *, target: str) -> BackendError:
    """Return what a failed connection means; TLS errors are OSErrors too."""
    # By the name of the module, which may be unread: where no file can be opened any
    # more, it could not be read to tell what it has no part in.
    if type(error).__module__ == ssl.__name__:
        return _failed_tls(error, target)
    if error.errno == errno.EAFNOSUPPORT:
        return Unavailable(
            "no network may be used from here",
            target=target,
            remedy="A service needs the drop-in network.conf.",
        )
    return _gone(_system_reason(error), target)


def _failed_tls(error: OSError, target: str) -> BackendError:
    if isinstance(error, ssl.SSLCertVerificationError):
        return Refused(
            f"its certificate is not trusted: {error.verify_message}",
            target=target,
            remedy="Name the site's CA, or the socket's own certificate, as `ca`; the "
            "certificate must be for the name in the settings and not run out; check "
            "this machine's clock.",
        )
    if isinstance(error, ssl.SSLEOFError | ssl.SSLZeroReturnError):
        return _gone("it closed the connection", target)
    assert isinstance(error, ssl.SSLError)
    said = _reason(error)
    if "ALERT" in said.upper():
        return Refused(
            f"it refuses our side of TLS ({said})",
            target=target,
            remedy="It may want a client certificate: set `certificate`.",
        )
    return Malformed(
        f"it does not speak TLS as we do ({said})",
        target=target,
        remedy="Check port and protocol; TLS 1.2 is the least that is accepted.",
    )


def _gone(what: str, target: str) -> Unavailable:
    return Unavailable(
        f"not reachable ({what.lower()})",
        target=target,
        remedy="Check its power and the network, and that its address is still this.",
    )


def _system_reason(error: OSError) -> str:
    """Return the system's own words; those of asyncio repeat the address."""
    if isinstance(error, ConnectionResetError) and error.errno is None:
        return "it closed the connection"  # in its handshake; asyncio says no more
    if error.errno is not None and not isinstance(error, socket.gaierror):
        return os.strerror(error.errno)
    return error.strerror or str(error) or type(error).__name__


def _reason(error: ssl.SSLError) -> str:
    return error.reason or error.strerror or "no reason given"

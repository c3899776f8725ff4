"""What a service's sandbox forbids is told as that, with the drop-in that allows it.

Source of the numbers: systemd.exec(5), RestrictAddressFamilies= and ReadOnlyPaths=;
``tests/packaging/test_booted_families.py`` has the real sandbox.
"""

from __future__ import annotations

import errno
import os

from tidegate.errors import BackendError
from tidegate_backends.bluetooth import failures
from tidegate_backends.linux import attributes
from tidegate_backends.modbus import tcp
from tidegate_backends.network import tls


def raised(number: int) -> OSError:
    return OSError(number, os.strerror(number))


def test_a_service_without_network_is_told_which_drop_in() -> None:
    error = tls.failure(raised(errno.EAFNOSUPPORT), target="hall.example:443")
    assert "no network may be used from here" in str(error)
    assert "network.conf" in error.remedy
    assert "network.conf" in tcp._advice(raised(errno.EAFNOSUPPORT))
    assert "network.conf" not in tcp._advice(raised(errno.EHOSTUNREACH))


def test_an_attribute_that_is_read_only_wants_no_udev_rule() -> None:
    def failure(number: int) -> BackendError:
        return attributes.failure(
            raised(number), what="x = 60", target="BAT0", permit="a rule"
        )

    assert failure(errno.EACCES).remedy == "a rule"
    assert "kernel.conf" in failure(errno.EROFS).remedy


def test_a_refusal_of_the_bus_reads_the_same_each_time() -> None:
    """As dbus-daemon words it; the connection has another number at each poll."""
    first, second = (
        str(
            failures.no_permission(
                "ble:x",
                f'Rejected send message, 1 matched rules; type="method_call", {sender}',
            )
        )
        for sender in ('sender=":1.125"', 'sender=":1.126"')
    )
    assert first == second
    assert "Rejected send message" in first

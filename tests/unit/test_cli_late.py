"""Modules that wait until they are used: nothing of OpenSSL before, all of it after."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tidegate.cli import late

# All that the daemon imports for a station on files and a serial port.
DAEMON = """
import sys
from tidegate.cli import daemon, late
from tidegate.service import control_part, plans_part
from tidegate_backends.gauges import sysfs
from tidegate_backends.relays import serial_frame
late.spare_ssl()

def openssl():
    maps = open("/proc/self/maps").read()
    return [name for name in ("libssl", "libcrypto", "_hashlib") if name in maps]

assert openssl() == [], openssl()
"""


def said_by(program: str) -> str:
    done = subprocess.run(
        [sys.executable, "-c", DAEMON + program],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_the_daemon_leaves_openssl_where_it_is() -> None:
    """And asyncio finds out of a plain socket that it is one without asking ssl."""
    program = (
        "import asyncio, socket\n"
        "async def said():\n"
        "    loop = asyncio.get_running_loop()\n"
        "    one, other = socket.socketpair()\n"
        "    one.setblocking(False), other.setblocking(False)\n"
        "    await loop.sock_sendall(one, b'on')\n"
        "    return await loop.sock_recv(other, 2)\n"
        "print(asyncio.run(said()), openssl())"
    )
    assert said_by(program) == "b'on' []\n"


def test_who_uses_them_finds_them_as_ever() -> None:
    """Digest: the example of FIPS 180-4. Source: its appendix, "abc"."""
    program = (
        "import bz2, difflib, hashlib, lzma, secrets, ssl, asyncio.sslproto\n"
        "print(hashlib.sha256(b'abc').hexdigest())\n"
        "print(len(secrets.token_bytes(9)))\n"
        "print(ssl.create_default_context().check_hostname)\n"
        "print(issubclass(asyncio.sslproto.SSLProtocol, asyncio.BufferedProtocol))\n"
        "print(difflib.get_close_matches('hal', ['hall', 'foyer']))\n"
        "print(bz2.decompress(bz2.compress(b'a')) + lzma.decompress(lzma.compress(b'b')))\n"
        "print({type(sys.modules[name]).__name__ for name in late.LATE})"
    )
    digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert (
        said_by(program) == f"{digest}\n9\nTrue\nTrue\n['hall']\nb'ab'\n{{'module'}}\n"
    )


def test_all_of_a_module_can_be_asked_for() -> None:
    program = "from hashlib import *\nfrom ssl import *\nprint(sha512, SSLContext)"
    assert "sha512" in said_by(program)


def test_threads_that_ask_at_the_same_time_wait_for_it() -> None:
    """Each asks for what comes last in the file."""
    program = (
        "import ssl, threading\n"
        "ready, found = threading.Barrier(8), []\n"
        "def ask():\n"
        "    ready.wait(20)\n"
        "    found.append(ssl.get_protocol_name(ssl.PROTOCOL_TLS_CLIENT))\n"
        "sys.setswitchinterval(1e-6)\n"
        "asking = [threading.Thread(target=ask) for _ in range(8)]\n"
        "[each.start() for each in asking]; [each.join(20) for each in asking]\n"
        "print(found == ['PROTOCOL_TLS_CLIENT'] * 8 or found)"
    )
    assert said_by(program) == "True\n"


def test_a_tls_socket_is_refused_by_the_loop_as_ever() -> None:
    program = (
        "import asyncio, socket, ssl\n"
        "async def refused():\n"
        "    plain, _ = socket.socketpair()\n"
        "    context = ssl.create_default_context()\n"
        "    wrapped = context.wrap_socket(plain, server_hostname='hall.example',\n"
        "        do_handshake_on_connect=False)\n"
        "    wrapped.setblocking(False)\n"
        "    try: await asyncio.get_running_loop().sock_recv(wrapped, 1)\n"
        "    except TypeError as error: return error\n"
        "print(asyncio.run(refused()))"
    )
    assert said_by(program) == "Socket cannot be of type SSLSocket\n"


def test_a_module_that_cannot_be_read_says_so_each_time() -> None:
    """As where OpenSSL was taken away under a daemon that runs."""
    program = (
        "import ssl\n"
        "sys.modules['_ssl'] = None\n"
        "for _ in range(2):\n"
        "    try: ssl.SSLContext\n"
        "    except ImportError as error: print(type(error).__name__)\n"
        "del sys.modules['_ssl']\n"
        "print(ssl.SSLContext.__name__)"
    )
    error = "ModuleNotFoundError\n"
    assert said_by(program) == f"{error}{error}SSLContext\n"


def test_what_a_python_lacks_is_missed_at_its_import(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """asyncio and shutil then do without; a late module would look like a real one."""
    finder = late._Finder()
    found = finder.find_spec("ssl", None)
    assert found is not None
    assert isinstance(found.loader, late._LateLoader)
    monkeypatch.setattr(late, "LATE", {**late.LATE, "ssl": "_no_such_extension"})
    assert finder.find_spec("ssl", None) is None
    # One that is part of the interpreter itself is no file.
    monkeypatch.setattr(late, "LATE", {**late.LATE, "ssl": "builtins"})
    assert finder.find_spec("ssl", None) is not None


def test_nothing_else_is_late() -> None:
    assert late._Finder().find_spec("json", None) is None


def test_they_are_modules_of_the_standard_library() -> None:
    library = Path(os.__file__).parent
    for name in late.LATE:
        assert (library / f"{name.replace('.', '/')}.py").is_file(), name


def test_who_looks_at_all_of_a_module_sees_all_of_it() -> None:
    program = (
        "import ssl, hashlib\n"
        "print('SSLContext' in vars(ssl), 'sha512' in dir(hashlib))"
    )
    assert said_by(program) == "True True\n"


def test_what_is_put_into_a_module_before_it_was_read_stays() -> None:
    """As a backend of somebody else may do with a digest that its Python forbids."""
    program = "import ssl\nssl.get_default_verify_paths = 7\n"
    program += "ssl.SSLContext\nprint(ssl.get_default_verify_paths)"
    assert said_by(program) == "7\n"


def test_a_connection_that_failed_is_told_where_no_file_can_be_opened() -> None:
    """One without TLS: ssl is unread still, and has no part in it. getrlimit(2), EMFILE."""
    program = (
        "import os, resource\n"
        "from tidegate_backends.network import tls\n"
        "resource.setrlimit(resource.RLIMIT_NOFILE, (32, 32))\n"
        "try:\n"
        "    while True: os.open('/dev/null', os.O_RDONLY)\n"
        "except OSError as error:\n"
        "    print(tls.failure(error, target='hall').what)"
    )
    assert said_by(program) == "hall: not reachable (too many open files)\n"

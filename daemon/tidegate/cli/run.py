"""``tidegate run``: the daemon in the foreground."""

from __future__ import annotations

from functools import partial

import click

from tidegate.cli.options import config_option, config_path, load_settings


@click.command()
@config_option
@click.option("--verbose", is_flag=True, help="Also write messages of the level debug.")
@click.pass_context
def command(ctx: click.Context, *, verbose: bool) -> int:
    """Keep every station of the settings in its window until told to stop.

    SIGTERM or SIGINT ends it: supply on everywhere, log closed, exit code 0. SIGHUP
    makes it read the settings again (see `settings reload`); where its own terminal
    went away, it ends. A relay or gauge that is absent does not stop it; it is tried
    again. Messages go to stderr, the cycle log to the file of the settings.

    Under systemd the messages are in the journal, with fields that can be asked for:
    TIDEGATE_STATION, TIDEGATE_SUPPLY, TIDEGATE_REASON, TIDEGATE_ALARM and others.
    Every switching has one MESSAGE_ID, every alarm another:

    \b
      journalctl TIDEGATE_STATION=hall TIDEGATE_SUPPLY=off
      journalctl MESSAGE_ID=8bd4e34877034749a80dd373f093ae5c   # switchings
      journalctl MESSAGE_ID=6b5f33c42e8e411685424391972b0b22   # alarms

    Exit code 0: ended by a signal; 66: no settings; 69: no station can run; 70: a fault
    of ours; 75: in use by another tidegate; 78: the settings are wrong.
    """  # noqa: D301 - click takes this character for "leave these lines alone"
    found = load_settings(ctx)

    # Late, so that --help needs neither pydantic nor asyncio.
    from tidegate import settings
    from tidegate.cli.daemon import serve

    load = partial(settings.load, config_path(ctx))
    return serve(found, load=load, verbose=verbose)

"""Secrets from files, and whom to trust: all of it read when a channel is opened, none of it ever shown."""

from __future__ import annotations

import ssl
from pathlib import Path

from mendwatch.model.errors import Problem, SettingsError

_SYSTEM_BUNDLE = Path("/etc/ssl/certs/ca-certificates.crt")
_MOST_BYTES = 4096


def read_secret(path: str, channel: str, key: str) -> str:
    """The first line of a file that holds nothing but a secret.

    Raises:
        SettingsError: it cannot be read, or holds nothing.
    """
    try:
        with Path(path).open("rb") as file:
            text = file.read(_MOST_BYTES).decode()
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) and error.strerror else "it is not text"
        right = "put the secret there" if isinstance(error, FileNotFoundError) else "let the agent's user read it"
        raise _refused(path, channel, key, f"cannot be read: {why}", right) from error
    lines = text.splitlines()
    if not lines or not lines[0].strip():
        raise _refused(path, channel, key, "is empty", "put the secret on its first line")
    return lines[0].strip()


def trust(ca_file: str | None, channel: str, *also: str) -> ssl.SSLContext:
    """Whom to believe that they are who they say: the given authority alone, else the public ones.

    Args:
        ca_file: certificates of the one authority.
        channel: its name, for messages.
        also: further bundles of public authorities.

    Raises:
        SettingsError: the file cannot be read or holds no certificate.
    """
    if ca_file is not None:
        try:
            return ssl.create_default_context(cafile=ca_file)
        except (OSError, ssl.SSLError) as error:
            what = "holds no certificate" if isinstance(error, ssl.SSLError) else f"cannot be read: {error.strerror}"
            raise _refused(ca_file, channel, "ca_file", what, "give a readable file of PEM certificates") from error
    context = ssl.create_default_context()
    # OpenSSL would look into the system's folder of certificates only when it needs one: too late if that disk hangs.
    for bundle in (*also, str(_SYSTEM_BUNDLE)):
        if Path(bundle).is_file():
            context.load_verify_locations(cafile=bundle)
    return context


def _refused(path: str, channel: str, key: str, what: str, right: str) -> SettingsError:
    return SettingsError(path, (Problem(f'{key} of the channel "{channel}"', what, right),))

"""Watches every Python process that has this folder on its path: who asks for another machine is written down and refused.

Where: the file that the environment variable OFFLINE_LOG names, beside one line for each process watched.
"""

import os
import socket
import sys

LOCAL = {"localhost", "127.0.0.1", "::1", "0.0.0.0", "", None, b"localhost"}


def _note(words: str) -> None:
    with open(os.environ["OFFLINE_LOG"], "a", encoding="utf-8") as log:
        log.write(words + "\n")


def _watch(event: str, arguments: tuple) -> None:
    if event in ("socket.connect", "socket.sendto"):
        where = arguments[1]
        if arguments[0].family == socket.AF_UNIX or (isinstance(where, tuple) and where[0] in LOCAL):
            return
    elif event in ("socket.getaddrinfo", "socket.gethostbyname"):
        where = arguments[0]
        if where in LOCAL:
            return
    else:
        return
    _note(f"asked {event} {where}")
    raise OSError(f"no network here: {where}")


if "OFFLINE_LOG" in os.environ:
    sys.addaudithook(_watch)
    _note(f"watched {os.path.basename(sys.argv[0] if hasattr(sys, 'argv') else '')}")

"""Open the coach's pages in a browser on this machine, or with a token on the local network."""

from __future__ import annotations

import secrets
import socket
import threading
import webbrowser
from collections.abc import Callable
from pathlib import Path

import uvicorn

from lessonmark.errors import RecordError
from lessonmark.language import say
from lessonmark.lessons.accounts import count_accounts
from lessonmark.lessons.analyser import Analyser
from lessonmark.lessons.own_analyser import OwnAnalyser
from lessonmark.lessons.sealed_files import SealedFiles
from lessonmark.lessons.store import open_record
from lessonmark.web.app import create_app
from lessonmark.web.settings import LOOPBACK_HOSTS, WebSettings

__all__ = ["PORT", "serve"]

PORT = 8417


def serve(
    *,
    folder: Path | None = None,
    database: str | None = None,
    port: int = PORT,
    share: bool = False,
    browser: bool = True,
    heavy: bool = False,
    language: str | None = None,
    analyser: Analyser | None = None,
    accounts: bool = False,
    names: tuple[str, ...] = (),
    tell: Callable[[str], None] = print,
) -> None:
    """Serve the pages until interrupted.

    Parameters
    ----------
    folder, database : see `open_record`.
    port : on this machine; 0 for any that is free.
    share : also for other devices on the local network; they need the token in the address that
        is shown.
    browser : open the pages at once.
    heavy : use the larger pose network.
    language : None for the browser's own.
    accounts : everybody signs in, and each coach sees only the own players.
    names : further names that a browser may call this server by, behind a proxy with TLS.
    tell : where the addresses are said.

    Raises
    ------
    RecordError : the record cannot be opened, the port is taken, or nobody could sign in.
    """
    record = open_record(folder, database=database)
    if accounts and not count_accounts(record):
        record.close()
        raise RecordError(
            say("there is no account yet, so nobody could sign in"),
            do=say("make one with 'lessonmark account add NAME'"),
        )
    if isinstance(record.files, SealedFiles):
        tell(
            say("The record is sealed; what is open lies in memory until this program ends.")
            if record.files.in_memory
            else say(
                "The record is sealed; what is open lies IN CLEAR in {path} until this program "
                "ends. Where that is on a disk, encrypt the disk.",
                path=record.files.working,
            )
        )
    own = analyser or OwnAnalyser(heavy=heavy)
    token = secrets.token_urlsafe(24) if share else None
    listening = _listen("0.0.0.0" if share else "127.0.0.1", port)
    port = listening.getsockname()[1]
    here = _local_address() if share else "127.0.0.1"
    hosts = set(names) | LOOPBACK_HOSTS | ({here, socket.gethostname().lower()} if share else set())
    settings = WebSettings(
        hosts=frozenset(hosts), token=token, language=language, accounts=accounts, heavy=heavy
    )
    query = f"?token={token}" if token else ""
    tell(say("Lessonmark is at {address}", address=f"http://127.0.0.1:{port}/{query}"))
    if share and here in LOOPBACK_HOSTS:
        tell(say("This computer is in no network, so nobody else can open it."))
    elif share:
        tell(
            say(
                "On the same network: {address} Whoever has this address sees every player; "
                "what is sent is not encrypted, so share on a network that you trust.",
                address=f"http://{here}:{port}/{query}",
            )
        )
    server = uvicorn.Server(
        uvicorn.Config(
            create_app(record, own, settings),
            log_level="warning",
            access_log=False,  # addresses would name players' rows
            server_header=False,
        )
    )
    if browser:
        threading.Timer(0.8, webbrowser.open, [f"http://127.0.0.1:{port}/{query}"]).start()
    try:
        server.run(sockets=[listening])
    finally:
        if isinstance(own, OwnAnalyser):
            own.close()
        record.close()


def _listen(host: str, port: int) -> socket.socket:
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((host, port))
    except OSError as err:
        listening.close()
        raise RecordError(
            say("port {port} is taken", port=port),
            do=say("close the other window of the program, or choose another port"),
        ) from err
    return listening


def _local_address() -> str:
    """Find this machine's address on the local network; nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        try:
            asking.connect(("192.0.2.1", 9))  # a documentation address (RFC 5737): routes only
        except OSError:
            return "127.0.0.1"
        return str(asking.getsockname()[0])

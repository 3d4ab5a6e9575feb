"""Starting and stopping the page: a port, an address, a browser, and nothing left behind."""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Callable
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING

from msgspec import Struct

from fitsolver.errors import FitsolverError, OutOfRange
from fitsolver.page.guard import ENTRANCE, Keys

if TYPE_CHECKING:
    from asyncio import Protocol, Transport

    from fitsolver.page.owner import Owner
    from fitsolver.page.store import Store

LOCAL = "127.0.0.1"
FIRST_PORT = 8721
"""The port to try first; the next free one is taken."""
PORTS = 40
MOST_CONNECTIONS, MOST_BY_ADDRESS = 512, 256
HEADER_SECONDS = 10.0
"""How long a connection may stay without a whole request."""
LOCAL_NAMES = frozenset({LOCAL, "localhost"})


class Started(Struct, frozen=True, kw_only=True):
    """A page that answers: the address to open here, and the one for another device, if any.

    `runs`: it was there before, and serves the folder already.
    """

    address: str
    shared_address: str
    folder: Path
    runs: bool = False


def serve(
    folder: Path | None,
    *,
    port: int | None = None,
    share: bool = False,
    open_browser: bool = True,
    started: Callable[[Started], None],
) -> None:
    """Serve the page until it is interrupted; a folder that a page serves already is opened there.

    Parameters
    ----------
    folder : Path, optional
        Where the mountings are; made if it is not there. The user's data folder if not given.
    port : int, optional
        The port to listen on; a free one if not given.
    share : bool
        Whether other devices of the network may open it, by a token.
    open_browser : bool
        Whether to open the page in the user's browser.
    started : callable
        Told the addresses once the page listens.

    Raises
    ------
    OutOfRange
        For a port that is none.
    FitsolverError
        If the folder cannot be used, the port is taken, or there is no network to share in.

    """
    from fitsolver.page.owner import Owner, Taken
    from fitsolver.page.store import Store, default_folder

    if port is not None and not 1 <= port <= 65535:
        raise OutOfRange("port", port, 1, 65535, unit="", remedy="leave it out for a free one")
    where = (folder if folder is not None else default_folder()).expanduser().resolve()
    try:
        where.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise FitsolverError(f"{where} cannot be used: {reason}") from error
    try:
        owner = Owner(where)
    except Taken as other:
        if not other.address:
            raise
        started(Started(address=other.address, shared_address="", folder=where, runs=True))
        if open_browser:
            import webbrowser

            webbrowser.open(other.address)
        return
    try:
        _serve(Store(where), owner, port, share, open_browser, started)
    finally:
        owner.release()


def _serve(
    store: Store,
    owner: Owner,
    port: int | None,
    share: bool,
    open_browser: bool,
    started: Callable[[Started], None],
) -> None:
    from fitsolver.page.app import build
    from fitsolver.page.helper import Helper
    from fitsolver.page.job import prepare

    here = listener(LOCAL, port)
    number = here.getsockname()[1]
    sockets, hosts = [here], set(LOCAL_NAMES)
    keys = Keys(shared=share, cookie=f"fitsolver_{number}")
    address, shared_address = f"http://{LOCAL}:{number}", ""
    outside = ""
    if share:
        outside = network_address()
        sockets.append(listener(outside, number))
        hosts.add(outside)
        shared_address = f"http://{outside}:{number}"
    helper = Helper(prepare)
    app = build(store, keys, hosts, address=shared_address, helper=helper)
    first = f"{address}/"
    if share:
        first = f"{address}{ENTRANCE}{keys.new_token()}"
        extra = keys.another_token()
        shared = f"{shared_address}{ENTRANCE}{extra}"
    else:
        shared = ""

    import uvicorn

    config = uvicorn.Config(
        app,
        log_level="error",
        access_log=False,
        lifespan="on",
        server_header=False,
        date_header=False,
        limit_concurrency=MOST_CONNECTIONS,
        timeout_keep_alive=10,
        timeout_graceful_shutdown=3,
        h11_max_incomplete_event_size=32_000,
        ws="none",
        http=patient_protocol(),
        loop="asyncio",
    )
    server = uvicorn.Server(config)

    def ready() -> None:
        owner.answers_at(f"{address}/")
        started(Started(address=first, shared_address=shared, folder=store.folder))
        if open_browser:
            import webbrowser

            # A browser may take its time to start; the page does not wait for it.
            Thread(target=webbrowser.open, args=(first,), daemon=True).start()

    try:
        # The sockets listen already: whoever asks before the loop runs is answered a little later.
        ready()
        with contextlib.suppress(KeyboardInterrupt):
            server.run(sockets=sockets)
    finally:
        helper.close()
        for each in sockets:
            each.close()


def patient_protocol() -> type[Protocol]:
    """Return uvicorn's protocol, with an end to its patience with who connects and says nothing.

    What limits the work is the number of threads that answer; connections only wait for one.
    """
    from collections import Counter

    from uvicorn.protocols.http.h11_impl import H11Protocol

    open_by_address: Counter[str] = Counter()

    class PatientProtocol(H11Protocol):
        def connection_made(self, transport: Transport) -> None:  # type: ignore[override]
            super().connection_made(transport)
            self.peer = str((transport.get_extra_info("peername") or ("",))[0])
            open_by_address[self.peer] += 1
            if open_by_address[self.peer] > MOST_BY_ADDRESS:
                transport.close()
            else:
                self.loop.call_later(HEADER_SECONDS, self.silent)

        def silent(self) -> None:
            if self.cycle is None and not self.transport.is_closing():
                self.transport.close()

        def connection_lost(self, exc: Exception | None) -> None:
            open_by_address[self.peer] -= 1
            super().connection_lost(exc)

    return PatientProtocol


def listener(host: str, port: int | None) -> socket.socket:
    """Return a listening socket, on the port or on the next free one."""
    ports = [port] if port is not None else [*range(FIRST_PORT, FIRST_PORT + PORTS), 0]
    for number in ports:
        sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if os.name == "posix":  # elsewhere it would let another program listen too
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            sock.bind((host, number))
            sock.listen(64)
        except OSError as error:
            sock.close()
            if number == ports[-1]:
                reason = (error.strerror or str(error)).lower()
                raise FitsolverError(
                    f"port {number} of {host} cannot be used: {reason}; choose another"
                ) from error
        else:
            return sock
    raise AssertionError("the last port answers or raises")


def network_address() -> str:
    """Address of this computer in its network; no packet is sent to find it.

    Raises `FitsolverError` if it is in none.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            # Any address outside would do: the system only says from where it would send.
            probe.connect(("192.0.2.1", 9))
            found = str(probe.getsockname()[0])
        except OSError:
            found = LOCAL
    if found.startswith("127.") or found == "0.0.0.0":
        raise FitsolverError("this computer is in no network, so the page cannot be shared")
    return found

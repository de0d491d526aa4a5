"""Publishes the alignment on the network, in a thread of this process."""

from __future__ import annotations

import logging
import uuid
from pathlib import Path
from types import TracebackType

from polewright import __version__
from polewright.devices.alpaca.discovery import is_loopback
from polewright.foundation.clock import Clock
from polewright.foundation.config import Config
from polewright.foundation.errors import in_words
from polewright.interfaces.own_host import OwnHostOnly
from polewright.interfaces.publishing.devices import AlignmentFigures, AlignmentMonitor
from polewright.interfaces.publishing.errors import CannotPublish
from polewright.interfaces.publishing.journal_status import JournalStatus
from polewright.interfaces.publishing.status import Rules, StatusSource
from polewright.observing.rig.tonight_tolerance import widest_tolerance_arcmin
from polewright.records.history.run_recorder import is_rehearsal
from polewright.session.opening import journal_folder
from polewright_wire import AlpacaServer, ServerDescription
from polewright_wire.connections import Limits

log = logging.getLogger(__name__)

MOST_CONNECTIONS = 128
IDENTITY_FILE = "alpaca-identity.txt"


def rules_of(config: Config) -> Rules:
    """Return what a configuration says about being safe."""
    return Rules(
        tolerance_arcmin=widest_tolerance_arcmin(config.pole),
        pole=config.pole.target,
        fresh_s=config.publish.fresh_minutes * 60.0,
        passive_counts=config.publish.passive_counts,
    )


def identity(folder: Path) -> uuid.UUID:
    """Return the number that marks this installation's devices for ever, made at first use."""
    path = folder / IDENTITY_FILE
    try:
        return uuid.UUID(path.read_text(encoding="ascii").strip())
    except (OSError, ValueError):
        made = uuid.uuid4()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        path.write_text(f"{made}\n", encoding="ascii")
    except OSError as reason:
        log.warning("publish.identity_not_kept path=%s reason=%s", path, reason)
    return made


class Published:
    """The devices, being served until `stop`. Use it as a context manager."""

    def __init__(
        self,
        source: StatusSource,
        rules: Rules,
        clock: Clock,
        installation: uuid.UUID,
        *,
        host: str = "127.0.0.1",
        port: int = 0,
        discovery_port: int | None = None,
    ) -> None:
        """Serve.

        Args:
            source: where the status comes from.
            rules: when it counts as safe.
            clock: for ages.
            installation: marks the devices.
            host: address to listen on.
            port: TCP port; 0 takes a free one.
            discovery_port: UDP port on which discovery is answered; 0 takes a free one, None
                stays silent.

        Raises:
            CannotPublish: an address cannot be bound.
        """
        self.monitor = AlignmentMonitor(
            source,
            rules,
            clock,
            name="Polar alignment verified",
            unique_id=str(uuid.uuid5(installation, "safetymonitor")),
        )
        self.figures = AlignmentFigures(
            source,
            clock,
            name="Polar alignment figures",
            unique_id=str(uuid.uuid5(installation, "switch")),
        )
        server = AlpacaServer(
            [self.monitor, self.figures],
            ServerDescription("Polewright", "The Polewright authors", __version__),
        )
        server.app = OwnHostOnly(server.app, on_lan=not is_loopback(host))
        try:
            self._running = server.start(
                host,
                port,
                discovery_port=discovery_port,
                limits=Limits.share_of_files(1 / 8, MOST_CONNECTIONS),
            )
        except OSError as exc:
            raise CannotPublish(host, port, in_words(exc)) from exc
        self.host, self.port = host, self._running.port

    @property
    def discovery_port(self) -> int | None:
        """UDP port on which discovery is answered, if it is."""
        responder = self._running.discovery
        return None if responder is None else responder.port

    def stop(self) -> None:
        """Close the ports; may be called twice."""
        self._running.stop()

    def __enter__(self) -> Published:
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _value: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        self.stop()


def start(
    config: Config,
    clock: Clock,
    *,
    host: str = "127.0.0.1",
    port: int = 0,
    discovery_port: int | None = None,
) -> Published:
    """Publish what the session journals of this computer tell. Raises `CannotPublish`.

    Rehearsals do not count for a real night, nor real nights for a rehearsal.
    """
    folder = journal_folder(config)
    return Published(
        JournalStatus(folder, rehearsals=is_rehearsal(clock)),
        rules_of(config),
        clock,
        identity(folder),
        host=host,
        port=port,
        discovery_port=discovery_port,
    )

"""What one server is started with: the logbook, the profiles, the address, the key that signs its cookies."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

LOOPBACK = "127.0.0.1"
PORT = 8432
LOOPBACK_NAMES = ("127.0.0.1", "localhost", "[::1]")


@dataclass(frozen=True, slots=True)
class Settings:
    """What one server is started with.

    Attributes
    ----------
    key : bytes
        Signs cookies and form tokens; 32 bytes that stay the same over restarts where there is a logbook.
    book : Path, optional
        The logbook that visits are written to; without one there are no visits.
    heaters : Path, optional
        Folder of heater profiles.
    plan : Path, optional
        Folder that ``combust fleet`` wrote its plan to.
    series : Path, optional
        A table that a logger writes while the heater burns: a visit can watch it.
    host, port
        Where it listens.
    shared : bool
        Whether other machines may come; then everyone needs the pairing code.
    """

    key: bytes
    book: Path | None = None
    heaters: Path | None = None
    host: str = LOOPBACK
    port: int = PORT
    shared: bool = False
    plan: Path | None = None
    series: Path | None = None

    @property
    def name(self) -> str:
        """Host and port as they stand in a link."""
        return f"{f'[{self.host}]' if ':' in self.host else self.host}:{self.port}"

    @property
    def hosts(self) -> frozenset[str]:
        """The values of the Host header that are answered, and no others."""
        return frozenset([self.name] if self.shared else [f"{name}:{self.port}" for name in LOOPBACK_NAMES])

    @property
    def origins(self) -> frozenset[str]:
        """The origins a form may come from."""
        return frozenset(f"http://{host}" for host in self.hosts)

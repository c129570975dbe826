"""What can be switched on and off, also by ``async with``."""

from __future__ import annotations

from abc import ABC, abstractmethod
from types import TracebackType
from typing import Self


class Startable(ABC):
    """Something with a start and a stop."""

    @abstractmethod
    async def start(self) -> None:
        """Switch it on."""

    @abstractmethod
    async def stop(self) -> None:
        """Switch it off; what is off already stays so."""

    async def __aenter__(self) -> Self:
        await self.start()
        return self

    async def __aexit__(
        self,
        exc_type: type[BaseException] | None,
        exc: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        await self.stop()

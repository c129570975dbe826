"""Logs: readable on a terminal, one JSON object a line everywhere else."""

from __future__ import annotations

import logging
import sys
from typing import Literal, TextIO

import structlog

LogStyle = Literal["auto", "text", "json"]


def set_up_logs(
    style: LogStyle = "auto", level: int = logging.INFO, stream: TextIO | None = None
) -> None:
    """Send events of structlog to ``stream`` (standard error by default) in the style wanted."""
    stream = stream or sys.stderr
    as_text = style == "text" or (style == "auto" and stream.isatty())
    renderer: structlog.typing.Processor = (
        structlog.dev.ConsoleRenderer(colors=stream.isatty())
        if as_text
        else structlog.processors.JSONRenderer()
    )
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.StackInfoRenderer(),
            *([] if as_text else [structlog.processors.dict_tracebacks]),
            renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=structlog.WriteLoggerFactory(stream),
        cache_logger_on_first_use=False,
    )

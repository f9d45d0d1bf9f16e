"""The log: one event per line on standard error, JSON for a collector or plain for a person, secrets blotted out."""

from __future__ import annotations

import logging
import sys
from collections.abc import Iterable
from typing import Any, Final, Literal

import structlog
from structlog.typing import EventDict, Processor, WrappedLogger

Form = Literal["auto", "json", "console"]

_BLOT: Final = "[secret]"
_SECRET_KEYS: Final = frozenset({"password", "token", "push_token", "authorization", "secret"})
# What these libraries say below these levels is of use to nobody on site.
_QUIET: Final = {
    "apscheduler": logging.WARNING,
    "mqtt": logging.ERROR,
    "pymodbus": logging.CRITICAL,
    "asyncio": logging.WARNING,
    "httpx2": logging.WARNING,
    "uvicorn": logging.ERROR,  # it warns of every request that is none, and anybody on the network can send those
}


def configure(form: Form = "auto", *, verbose: bool = False, secrets: Iterable[str] = ()) -> None:
    """Set up the log of this process.

    form: "auto" is plain on a terminal and JSON elsewhere.  verbose: also what is only of use when looking for a
    fault.  secrets: texts that must never be seen in it.
    """
    as_json = form == "json" or (form == "auto" and not sys.stderr.isatty())
    level = logging.DEBUG if verbose else logging.INFO
    shared: list[Processor] = [
        structlog.stdlib.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.format_exc_info,
        Blotter(secrets),
    ]
    structlog.configure(
        processors=[*shared, structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=structlog.stdlib.LoggerFactory(),
        cache_logger_on_first_use=False,
    )
    _install_handler(_renderer(as_json), shared, level)


def _renderer(as_json: bool) -> Processor:
    if as_json:
        return structlog.processors.JSONRenderer(ensure_ascii=False)
    return structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty(), pad_event_to=0)


def _install_handler(renderer: Processor, shared: list[Processor], level: int) -> None:
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=[structlog.stdlib.ExtraAdder(), *shared],
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, _in_order, renderer],
        )
    )
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(level)
    for name, lowest in _QUIET.items():
        logging.getLogger(name).setLevel(max(lowest, level))


def _in_order(logger: WrappedLogger, method_name: str, event_dict: EventDict) -> EventDict:
    first = ("timestamp", "level", "event")
    return {**{name: event_dict[name] for name in first if name in event_dict}, **event_dict}


class Blotter:
    """A structlog processor that blots out secrets: by key, and wherever the text itself appears."""

    def __init__(self, secrets: Iterable[str]) -> None:
        self._secrets = tuple(secret for secret in secrets if secret)

    def __call__(self, logger: WrappedLogger, method_name: str, event_dict: EventDict) -> EventDict:
        """Give the event without secrets."""
        return {key: _BLOT if key in _SECRET_KEYS else self._blot(value) for key, value in event_dict.items()}

    def _blot(self, value: Any) -> Any:
        if isinstance(value, str):
            for secret in self._secrets:
                value = value.replace(secret, _BLOT)
        return value


class Repeats:
    """Bounds how often the same thing is said: at once the first time, then at most once per `every_s`.

    The number of subjects is bounded as well: when so many were said within `every_s`, further ones are kept quiet. So
    many lines are said in `every_s` at most, however many senders go wrong, each in a way of its own.
    """

    def __init__(self, every_s: float = 3600.0, subjects: int = 200) -> None:
        self._every_s = every_s
        self._subjects = subjects
        self._said: dict[str, tuple[float, int]] = {}  # subject -> (said at, kept quiet since)

    def due(self, subject: str, now_s: float) -> int | None:
        """Give None when it should be kept quiet, else how often it was kept quiet since it was last said.

        now_s: monotonic seconds.
        """
        said = self._said.get(subject)
        if said is not None and now_s - said[0] < self._every_s:
            self._said[subject] = (said[0], said[1] + 1)
            return None
        if said is None and not self._has_room(now_s):
            return None
        self._said.pop(subject, None)
        self._said[subject] = (now_s, 0)
        return said[1] if said else 0

    def _has_room(self, now_s: float) -> bool:
        """Make room for another subject, where one was said long enough ago to be forgotten; say whether there is."""
        if len(self._said) < self._subjects:
            return True
        oldest, (said_s, _) = next(iter(self._said.items()))
        if now_s - said_s < self._every_s:
            return False
        del self._said[oldest]
        return True


def quietly(times: int) -> dict[str, int]:
    """Give the field that says how often something was kept quiet; none where it never was."""
    return {"kept_quiet": times} if times else {}


def caution(sentence: str) -> None:
    """Log something that is allowed but worth a second look."""
    structlog.get_logger("lumberroom.wiring").warning("caution", sentence=sentence)

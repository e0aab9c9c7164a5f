"""The one exception tree of the package.

Every error says what was wrong (argument, or file, sheet, row and column, with the value),
which rule it broke and what to do next. The command line maps each class to an exit code.
"""

from __future__ import annotations

__all__ = [
    "ArgumentError",
    "DiagnosticsError",
    "IdentificationError",
    "InfeasibleError",
    "MissingPackageError",
    "RecordsError",
    "StorageError",
    "TransferError",
]


class TransferError(Exception):
    """Base of every error this package raises on purpose.

    Parameters
    ----------
    message : str
        What is wrong, naming the argument or place and the value.
    rule : str, optional
        The rule that was broken.
    next_step : str, optional
        What the user can do about it.
    """

    exit_code: int = 1

    def __init__(self, message: str, *, rule: str = "", next_step: str = "") -> None:
        self.message = message
        self.rule = rule
        self.next_step = next_step
        super().__init__(str(self))

    def __str__(self) -> str:
        parts = [self.message]
        if self.rule:
            parts.append(f"Rule: {self.rule}")
        if self.next_step:
            parts.append(f"Next: {self.next_step}")
        return "\n".join(parts)

    def to_dict(self) -> dict[str, object]:
        """Return the error as plain values for ``--json``."""
        return {
            "error": type(self).__name__,
            "message": self.message,
            "rule": self.rule,
            "next_step": self.next_step,
        }


class ArgumentError(TransferError, ValueError):
    """An argument or a setting has a value outside its rule."""

    exit_code = 2


class RecordsError(TransferError, ValueError):
    """The records hold problems; all of them are listed in ``problems``.

    Parameters
    ----------
    message : str
        One line: how many problems in how many files.
    problems : sequence of dict
        One entry per problem with keys ``file``, ``sheet``, ``row``, ``column``, ``value``,
        ``rule``, ``next_step``.
    """

    exit_code = 2

    def __init__(
        self,
        message: str,
        problems: tuple[dict[str, object], ...] = (),
        *,
        rule: str = "",
        next_step: str = "",
    ) -> None:
        self.problems = tuple(problems)
        super().__init__(message, rule=rule, next_step=next_step)

    def to_dict(self) -> dict[str, object]:
        """Return the error and every problem as plain values."""
        return {**super().to_dict(), "problems": [dict(p) for p in self.problems]}


class DiagnosticsError(TransferError, RuntimeError):
    """The sampler's diagnostics failed twice, so no estimate is given."""

    exit_code = 3


class IdentificationError(TransferError, ValueError):
    """The records cannot identify what was asked for, at any sample size."""

    exit_code = 3


class InfeasibleError(TransferError, ValueError):
    """Limits contradict each other; the message names the limits that clash."""

    exit_code = 2


class StorageError(TransferError, OSError):
    """A saved fit or an output folder cannot be read or written."""

    exit_code = 4


class MissingPackageError(TransferError, ImportError):
    """An optional package is needed for this command and is not installed."""

    exit_code = 5

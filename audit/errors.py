"""The exception tree. Every error says what must hold, what was found, and what to do next.

Messages follow one form: *name* must *rule*; got *value*. The hint is the next step for the person
at the screen, in one sentence.
"""

from __future__ import annotations

__all__ = ["AnnotationError", "AuditError", "ExchangeError", "ImageError", "LedgerError", "RecordError", "Refused", "ReportError"]


class AuditError(Exception):
    """Base of all errors that a user may see.

    Parameters
    ----------
    message : str
        What must hold and what was found, in one line.
    hint : str
        The next step, in one sentence.
    """

    exit_status = 2

    def __init__(self, message: str, hint: str) -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint

    def __reduce__(self) -> tuple[type, tuple[str, ...]]:
        """Survive the trip back from a worker process."""
        return type(self), (self.message, self.hint)

    def __str__(self) -> str:
        return f"{self.message} Hint: {self.hint}"


class ImageError(AuditError):
    """The file cannot be read as an image, or is not one that may be measured."""


class AnnotationError(AuditError):
    """The annotation file breaks its contract, or belongs to another image."""


class RecordError(AuditError):
    """A table of the practice folder (restorations, visits, findings, ...) is wrong."""


class LedgerError(AuditError):
    """The ledger cannot be opened, written or trusted."""


class ExchangeError(AuditError):
    """Something must not leave, or must not come in."""


class ReportError(AuditError):
    """A report cannot be written as it was asked for."""


class Refused(AuditError):
    """A measurement that cannot be made honestly; the caller turns it into a `Refusal` record.

    Parameters
    ----------
    code : str
        Stable snake_case word for counting, e.g. ``"no_reference"``.
    reason, hint : str
        One line each.
    """

    exit_status = 3

    def __init__(self, code: str, reason: str, hint: str) -> None:
        super().__init__(reason, hint)
        self.code = code

    def __reduce__(self) -> tuple[type, tuple[str, ...]]:
        return type(self), (self.code, self.message, self.hint)

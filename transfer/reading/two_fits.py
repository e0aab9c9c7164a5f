"""The two fits behind a reading: one that judges live against rep, one by setting."""

from __future__ import annotations

from transfer.errors import ArgumentError
from transfer.models.alignment import require_passed
from transfer.models.posterior import TransferPosterior

__all__ = ["require_fits"]


def require_fits(verdict_fit: TransferPosterior, forecast_fit: TransferPosterior | None) -> None:
    """Refuse fits that did not pass, were made for something else, or are of other counts.

    Parameters
    ----------
    verdict_fit : TransferPosterior
        Fit with one rate a mode.
    forecast_fit : TransferPosterior or None
        Fit by setting.

    Raises
    ------
    ArgumentError
        When a fit was made for something else, or the two of different counts.
    DiagnosticsError
        When a fit did not pass its diagnostics.
    """
    if verdict_fit.purpose != "verdict":
        raise ArgumentError(
            f"the first fit was made with purpose={verdict_fit.purpose!r}",
            rule="live against rep is judged by a fit with one rate a mode and an even start",
            next_step='pass fit_transfer(cells, purpose="verdict"); the fit by setting may follow',
        )
    require_passed(verdict_fit.diagnostics)
    if forecast_fit is None:
        return
    if forecast_fit.purpose == "verdict":
        raise ArgumentError(
            'the second fit was made with purpose="verdict" as well',
            rule="figures by setting come from the fit by setting",
            next_step="pass fit_transfer(cells) second, or leave it out",
        )
    if forecast_fit.provenance.data_hash != verdict_fit.provenance.data_hash:
        raise ArgumentError(
            "the two fits are of different counts",
            rule="both fits of a reading are made of the same cells",
            next_step="fit the same cells twice",
        )
    require_passed(forecast_fit.diagnostics)

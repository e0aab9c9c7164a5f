"""What was forecast then and what happened: one section of the analyst's page."""

from __future__ import annotations

from transfer.forecast import figure_calibration as calibration
from transfer.forecast.track_record import TrackRecord
from transfer.page import blocks, words
from transfer.page.blocks import Section

__all__ = ["track_section"]


_TITLE = "Forecast then, happened since"


def track_section(
    track: TrackRecord | None, missing: str = "", points: bool = True
) -> Section | None:
    """Forecasts of an earlier run against the games since; None without one.

    Parameters
    ----------
    track : TrackRecord or None
    missing : str
        Why an earlier run cannot be judged yet.
    points : bool
        Whether single players may be shown.
    """
    if track is None:
        return Section("track", _TITLE, [blocks.text(missing)]) if missing else None
    content: list[blocks.Block] = [
        blocks.text(track.text),
        blocks.simple_table(
            track.coverage,
            "Share of players whose makes fell in their range; a range holds a count to come",
            [
                ("band", "Range", str),
                ("expected", "Expected", words.percent),
                ("observed", "Happened", words.percent),
                ("players", "Players", str),
            ],
        ),
    ]
    if points:
        content += [
            blocks.figure(
                calibration,
                calibration.frame(track),
                "calibration",
                "Blue: what happened, in steps that only rise. Grey band: where the steps would "
                "lie if the forecasts were right. Grey dots: single players, larger for more "
                "attempts.",
            ),
            blocks.simple_table(
                track.table,
                "Forecast then and makes since, in the order of the codes",
                [
                    ("player", "Player", str),
                    ("n", "Attempts since", str),
                    ("y", "Makes", str),
                    ("forecast", "Forecast rate", words.percent),
                    ("low_90", "90% range from", str),
                    ("high_90", "to makes", str),
                ],
            ),
        ]
    return Section("track", _TITLE, content)

"""Game rates to expect, their scores, and how earlier forecasts did."""

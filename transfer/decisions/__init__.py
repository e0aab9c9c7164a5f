"""From draws to words: readings, trials, the practice mix and the next session."""

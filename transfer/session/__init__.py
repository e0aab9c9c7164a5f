"""The next session: blocks, tasks, pairings, targets and the sheet to chart it on."""

"""What all commands share: options, records and fits behind them, screen, run folders."""

"""Weekly minutes of rep and live work, and what to chart next."""

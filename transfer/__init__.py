"""Does practice shooting show up in games? See `README.md` for the job in one paragraph."""

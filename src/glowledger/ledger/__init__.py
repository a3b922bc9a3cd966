"""The ledger: every run with its context, bench, trends and verdicts, kept in one SQLite file."""

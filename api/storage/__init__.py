"""Where cases, keys and deliveries are kept: SQLite on one machine, PostgreSQL where several serve."""

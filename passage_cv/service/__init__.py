"""The gate in service: its log, later its audits and drift."""

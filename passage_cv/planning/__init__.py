"""The season ahead: how many fish, how large the run, what a miss rate means."""

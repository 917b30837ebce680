"""The package a gate computer loads, and its verification. Runs without torch."""

"""Pictures become scores per class."""

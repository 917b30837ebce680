"""What the rule did to each class, with exact limits."""

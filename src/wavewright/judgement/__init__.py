"""Pure functions: readings and limits in, verdicts out."""

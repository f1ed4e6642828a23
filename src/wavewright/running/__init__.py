"""Running a recipe on a bench: plan, shots, evaluation, and outputs off at the end whatever happened."""

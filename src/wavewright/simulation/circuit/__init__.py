"""The simulated board: nodes whose voltages are known in closed form at every moment."""

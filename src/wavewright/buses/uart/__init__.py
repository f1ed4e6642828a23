"""Characters between a start and a stop bit."""

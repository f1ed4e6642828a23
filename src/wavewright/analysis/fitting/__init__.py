"""Lines and exponentials that are fitted to a record."""

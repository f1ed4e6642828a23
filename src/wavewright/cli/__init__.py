"""The command line: each command parses, calls the API, prints."""

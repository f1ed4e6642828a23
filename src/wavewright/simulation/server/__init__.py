"""The simulated bench over TCP: raw sockets and HiSLIP, so that any program can talk to its instruments."""

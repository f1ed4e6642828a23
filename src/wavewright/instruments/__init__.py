"""The wire: SCPI, links, profiles, the four roles of instruments, and the bench that holds them."""

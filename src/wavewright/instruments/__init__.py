"""The wire: SCPI, links, profiles, the five roles of instruments, and the bench that holds them."""

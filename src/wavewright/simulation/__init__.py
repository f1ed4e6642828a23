"""The simulated bench: a board, a digitizer's front end, SCPI instruments, and the VISA library that reaches them."""

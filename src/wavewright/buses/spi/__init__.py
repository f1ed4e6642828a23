"""SPI: frames and timing."""

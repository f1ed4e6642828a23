"""What a browser is served: pages that follow the bench, on the loopback interface alone."""

"""What `python3 -m helpers show` runs: visitors, their kernels, what may pass to them, the pages and the server."""

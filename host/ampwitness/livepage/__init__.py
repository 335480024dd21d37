"""Pages in a browser on this machine: a board as it streams, and a recording at every scale."""

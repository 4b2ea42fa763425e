"""What the commands of the command line do; each imports only what it needs."""

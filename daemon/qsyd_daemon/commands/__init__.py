"""The commands of the command line, one module each; each imports only what it needs."""

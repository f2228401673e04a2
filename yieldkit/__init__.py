"""First-pass yield, losses, drift and spares of a fibre crew, honest about bad records."""

__version__ = "0.1.0"

"""The physics of splices and readings in Gaussian-mode approximation, on arrays."""

"""Many homes and many years at once: batches side by side, on one machine or a cluster."""

"""Durable readings, batches, alerts and deliveries."""

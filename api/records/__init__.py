"""The record of an evacuation: what is handed to a customer or an inspector, signed."""

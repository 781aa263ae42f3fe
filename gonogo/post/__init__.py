"""Delivery of one message to one server or to a folder."""

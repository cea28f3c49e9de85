"""Ports: bytes in, bytes out, and nothing about their meaning."""

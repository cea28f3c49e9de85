"""Notices: alarm transitions out by mail and MQTT, from committed rows."""

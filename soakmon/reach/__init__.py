"""Reaching people and the shop: MQTT, InfluxDB, phone, lookout."""

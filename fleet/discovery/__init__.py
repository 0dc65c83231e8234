"""Finding devices and brokers: mDNS records and lists of addresses. A sighting is no sign of life."""

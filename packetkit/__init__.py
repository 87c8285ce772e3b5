"""packetkit: packet formats and small downlinks."""

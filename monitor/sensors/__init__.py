"""The wire: subscribe, decode, calibrate; and the embedded broker."""

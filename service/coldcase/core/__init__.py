"""The pure core: same input, same bytes out, on any machine. No I/O, no clock, no framework."""

ENGINE_VERSION = "2.4.0"

"""The demo: an invented server's drives are replaced twice, at high speed, through everything that is real."""

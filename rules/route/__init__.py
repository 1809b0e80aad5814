"""Same network, or a working route."""

"""Recordings -> octets of files: the counterpart of inputs."""

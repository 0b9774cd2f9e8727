"""Mendwatch follows the rebuilds of a storage server's arrays and pages a person when one will outlast the policy."""

__version__ = "0.1.0"

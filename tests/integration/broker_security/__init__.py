"""The broker as it is shipped, with TLS, certificates and access rules: who comes in, who may do what, and new files meanwhile."""

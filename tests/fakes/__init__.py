"""Fakes of the ports, each as short as what it stands for allows."""

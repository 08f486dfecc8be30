"""What pyproject.toml cannot say: `captures` is installed inside the package, for `preflight rehearse`."""

from setuptools import find_packages, setup

setup(
    packages=[*find_packages(include=["preflight", "preflight.*"]), "preflight.captures"],
    package_dir={"preflight.captures": "captures"},
    package_data={"preflight.captures": ["*"]},
)

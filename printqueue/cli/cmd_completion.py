"""`printqueue completion`."""

from __future__ import annotations

import argparse

from printqueue.core.errors import Exit

SHELLS = ("bash", "zsh", "fish")


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the argument: the shell."""
    command.description = (
        f"{command.description} Commands, options, papers, sizes and checks are completed. For good:\n"
        "  bash  echo 'eval \"$(printqueue completion bash)\"' >> ~/.bashrc\n"
        "  zsh   echo 'eval \"$(printqueue completion zsh)\"' >> ~/.zshrc   (after compinit)\n"
        "  fish  printqueue completion fish > ~/.config/fish/completions/printqueue.fish\n"
        "The shell must find printqueue by its name alone."
    )
    command.add_argument("shell", choices=SHELLS, metavar="SHELL", help=", ".join(SHELLS))


def run(options: argparse.Namespace) -> int:
    """Print the lines for the shell to read."""
    from argcomplete.shell_integration import shellcode

    print(shellcode(["printqueue"], shell=options.shell), end="")
    return Exit.DONE

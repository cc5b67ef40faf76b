"""The fork that runs nothing in the child but what comes after it, and what is done before the first.

In processes of their own: pytest may have threads, and then that fork is not to be used.
"""

import subprocess
import sys


def said(script):
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, timeout=60)
    return done.stdout.strip()


def test_the_child_goes_on_with_what_the_parent_had_and_by_itself():
    script = """
import os
from soakd.crew import forking
words, (read, write) = [1], os.pipe()
child = forking.fork()
if child == 0:
    words.append(os.getpid())
    os.write(write, repr(words).encode())
    os._exit(7)
code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
print(code, os.read(read, 100).decode() == repr([1, child]), words)
"""
    assert said(script) == "7 True [1]"


def test_the_child_can_make_threads_and_children_of_its_own():
    script = """
import os, random, threading
from soakd.crew import forking
child = forking.fork()
if child == 0:
    done = []
    thread = threading.Thread(target=done.append, args=(1,))
    thread.start()
    thread.join()
    grandchild = os.fork()
    if grandchild == 0:
        os._exit(3)
    os._exit(os.waitstatus_to_exitcode(os.waitpid(grandchild, 0)[1]) + len(done))
print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
"""
    assert said(script) == "4"


def test_what_the_system_refuses_is_an_error():
    script = """
import os, resource
from soakd.crew import forking
resource.setrlimit(resource.RLIMIT_NPROC, (0, 0))
if os.getuid() == 0:
    os.setuid(65534)
try:
    forking.fork()
except BlockingIOError as error:
    print("refused")
"""
    assert said(script) == "refused"


def test_what_there_is_when_all_is_settled_is_not_looked_at_again():
    script = """
import gc
from soakd.crew import forking
kept = [[] for _ in range(1000)]
seen = any(each is kept for each in gc.get_objects())
forking.settle()
print(seen, gc.get_freeze_count() > len(kept), any(each is kept for each in gc.get_objects()))
"""
    assert said(script) == "True True False"

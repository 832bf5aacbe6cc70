@echo off
rem greyhold begun when this user logs on: put a shortcut to this file into the folder that opens by Windows+R, shell:startup
rem (or copy the file there, and put the whole path of greyhold.exe below). To take it out, delete the shortcut.
rem "open" begins greyhold without a window where none runs, and shows its page in the browser.
rem It asks there for the capture folder at the first time, and remembers it.
start "" /min "%~dp0greyhold.exe" open

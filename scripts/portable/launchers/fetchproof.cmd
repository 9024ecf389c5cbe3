@echo off
rem Double click: serves the folder "staging" beside this file and opens the bench page.
rem With arguments: the same as the command "fetchproof".
setlocal disabledelayedexpansion
if not "%~1"=="" goto arguments
"%~dp0runtime\node.exe" "%~dp0program\server\bundle\main.js" serve "%~dp0staging" --open
if not errorlevel 1 exit /b 0
rem Something failed: what it says stays in sight.
set status=%errorlevel%
pause
exit /b %status%

:arguments
"%~dp0runtime\node.exe" "%~dp0program\server\bundle\main.js" %*
exit /b %errorlevel%

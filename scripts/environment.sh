# Sourced by demo.sh and test.sh: makes .venv beside this checkout and installs rf3d into it.
# Usage: source scripts/environment.sh; make_environment "[extras]"

say() { printf '\n== %s\n' "$*"; }
stop() { printf '\nstopped: %s\n' "$*" >&2; exit 3; }

# Shared libraries that the rendering library needs, and the Debian or Ubuntu package of each.
package_of() {
  case "$1" in
    libGL.so*|libOpenGL.so*) echo libgl1 ;;
    libEGL.so*) echo libegl1 ;;
    libX11.so*) echo libx11-6 ;;
    libXrender.so*) echo libxrender1 ;;
    libXcursor.so*) echo libxcursor1 ;;
    libXext.so*) echo libxext6 ;;
    libgomp.so*) echo libgomp1 ;;
    *) echo "the package that holds $1" ;;
  esac
}

make_environment() {
  local extras="$1" python="${PYTHON:-python3}"
  command -v "$python" >/dev/null || stop "there is no $python; install it: apt-get install python3 python3-venv"
  "$python" -c 'import sys; raise SystemExit(sys.version_info < (3, 11))' ||
    stop "rf3d needs Python 3.11 or newer and $python is $("$python" -V 2>&1); set PYTHON to a newer one"
  if [ ! -x .venv/bin/python ]; then
    say "making .venv with $("$python" -V 2>&1)"
    "$python" -m venv .venv || { rm -rf .venv; stop "this Python cannot make virtual environments: apt-get install python3-venv"; }
  fi
  say "installing rf3d$extras and what it needs into .venv (a few minutes the first time)"
  .venv/bin/python -m pip install --quiet --disable-pip-version-check -e ".$extras" ||
    stop "the installation failed; pip's own message above says why (embreex, the ray caster, has no wheel for Linux on aarch64)"
  check_rendering
}

# The tests of the Blender add-on run in Blender; where it cannot be installed they are skipped and say so.
install_blender() {
  command -v blender >/dev/null && command -v Xvfb >/dev/null && return
  if [ "$(id -u)" != 0 ] || ! command -v apt-get >/dev/null; then
    say "no Blender and no way to install it here: the tests of the add-on will be skipped"
    return
  fi
  say "installing Blender for the tests of the add-on"
  { apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -qq -y --no-install-recommends \
    blender python3-numpy xvfb; } >/dev/null || say "Blender could not be installed: the tests of the add-on will be skipped"
}

# Rendering needs a software OpenGL; say which package is missing rather than crash later.
check_rendering() {
  say "checking that pictures can be rendered without a screen"
  local folder missing="" library
  folder="$(.venv/bin/python -c 'import vtkmodules, os; print(os.path.dirname(vtkmodules.__file__))')" ||
    stop "the rendering library did not install"
  for library in $(find "$folder" "$folder.libs" "$folder/../vtk.libs" -name '*.so*' 2>/dev/null |
    xargs -r ldd 2>/dev/null | awk '/not found/ {print $1}' | grep -v '^libvtk' | sort -u); do
    missing="$missing $(package_of "$library")"
  done
  if [ -n "$missing" ]; then
    stop "rendering needs system packages: apt-get install$(printf '%s\n' $missing | sort -u | tr '\n' ' ' | sed 's/^/ /')"
  fi
  .venv/bin/python - <<'PY' || stop "rendering failed, its message is above; install software OpenGL: apt-get install libgl1 libegl1 libgl1-mesa-dri"
import pyvista
plotter = pyvista.Plotter(off_screen=True, window_size=(64, 64))
plotter.add_mesh(pyvista.Sphere(), color="red")
picture = plotter.screenshot(None, return_img=True)
raise SystemExit(0 if picture.std() > 1 else "the test picture came out empty")
PY
}

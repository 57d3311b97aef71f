# SPDX-License-Identifier: GPL-3.0-or-later
"""Which Python runs rf3d, and whether it does."""

import bpy
from bpy.props import StringProperty

from . import vocabulary, words, work


class RF3D_preferences(bpy.types.AddonPreferences):
    """Kept with Blender, not with the file."""

    bl_idname = __package__
    python: StringProperty(
        name="Python with rf3d", subtype="FILE_PATH",
        description="The Python into which rf3d was installed, not Blender's own; empty: look for it",
    )  # fmt: skip

    def draw(self, context):
        """The path, the test and what it said."""
        layout = self.layout
        layout.prop(self, "python")
        row = layout.row()
        row.operator("rf3d.test", icon="CHECKMARK")
        if work.busy():
            row.label(text=work.state.stage or "…")
        elif vocabulary.known["rf3d"]:
            row.label(text=f"rf3d {vocabulary.known['rf3d']}")
        if work.state.error is not None:
            for text in work.state.error:
                for line in words.wrapped(text, 90):
                    layout.label(text=line, icon="BLANK1")


class RF3D_OT_test(bpy.types.Operator):
    """Find rf3d and ask for its version; say how to install it where it is missing"""

    bl_idname = "rf3d.test"
    bl_label = "Test"

    @classmethod
    def poll(cls, context):
        """Not while something is at work."""
        return not work.busy()

    def execute(self, context):
        """Begin."""
        vocabulary.learn({"rf3d": "", "materials": [], "radios": [], "housings": []})
        work.start("test", _test_steps(of(context)))
        if work.state.error is not None:
            self.report({"ERROR"}, ". ".join(part for part in work.state.error if part))
            return {"CANCELLED"}
        return {"FINISHED"}


def _test_steps(preferences):
    yield from work.python_steps(preferences)
    work.state.note = f"rf3d {vocabulary.known['rf3d']} works"


def of(context):
    """The preferences of this add-on."""
    return context.preferences.addons[__package__].preferences


def register():
    """Make them known."""
    bpy.utils.register_class(RF3D_preferences)
    bpy.utils.register_class(RF3D_OT_test)


def unregister():
    """Forget them."""
    bpy.utils.unregister_class(RF3D_OT_test)
    bpy.utils.unregister_class(RF3D_preferences)

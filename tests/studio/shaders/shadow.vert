#version 330
in vec3 pos;
uniform mat4 LVP; uniform mat4 MM;
void main() { gl_Position = LVP * MM * vec4(pos, 1); }

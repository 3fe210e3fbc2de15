#version 330
in vec3 pos; in vec3 nor; in vec3 col; in float mat; uniform mat4 VP; uniform mat4 LVP; uniform mat4 MM;
out vec3 wp; out vec3 wn; out vec3 vc; out vec4 lp; flat out float vm; out vec3 op;
void main(){ vec4 p=MM*vec4(pos,1); op=pos; wp=p.xyz; wn=mat3(MM)*nor; vc=col; vm=mat; lp=LVP*p; gl_Position=VP*p; }

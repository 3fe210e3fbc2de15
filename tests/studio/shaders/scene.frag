#version 330
in vec3 wp; in vec3 wn; in vec3 vc; in vec4 lp; flat in float vm; in vec3 op; out vec4 o;
uniform sampler2DShadow sh; uniform sampler2D print_; uniform vec3 L; uniform vec3 eye; uniform float amb; uniform float sun; uniform float gain;
float hash(vec2 p){return fract(sin(dot(p,vec2(127.1,311.7)))*43758.5453);}
float ns(vec2 p){vec2 i=floor(p),f=fract(p);f=f*f*(3.-2.*f);return mix(mix(hash(i),hash(i+vec2(1,0)),f.x),mix(hash(i+vec2(0,1)),hash(i+vec2(1,1)),f.x),f.y);}
float line(float d,float w){float a=fwidth(d)+1e-5;return 1.-smoothstep(w-a,w+a,abs(d));}
float marks(vec2 q){ // court lines in feet, q.y from the baseline's far side: ring at 41.75, 2 in wide, outer edges on the rule's measure
  float w=1./12.; float x=q.y, y=q.x, l=0.;
  if(x>28.&&x<47.) l=max(l,line(abs(y)-8.+w,w));
  if(abs(y)<8.) l=max(l,line(x-28.-w,w));
  l=max(l,line(length(vec2(x-28.,y))-6.+w,w)*step(x,28.));
  float c=41.75-8.95; l=max(l,line(length(vec2(x-41.75,y))-23.75+w,w)*step(x,c));
  if(x>c&&x<47.) l=max(l,line(abs(y)-22.+w,w));
  if(abs(y)<25.) l=max(l,line(x-47.-w,w));
  return l; }
void main(){
 vec3 n=normalize(wn); vec3 v=normalize(eye-wp); if(dot(n,v)<0.) n=-n;
 vec3 c=vc; float spec=0.; int m=int(vm+.5); vec2 q=vec2(wp.x,wp.y)/.3048+vec2(0,41.75);
 if(m==10){
  vec2 b=vec2(wp.y/1.2,wp.x/.07); float r=floor(b.y); b.x+=hash(vec2(r,3.)); float id=hash(vec2(floor(b.x),r)); float fade=exp(-fwidth(b.y)*1.5);
  c=vc*mix(1.,.82+.3*id,fade)*(.93+.14*ns(vec2(wp.y*3.,wp.x*60.))*fade+.04);
  if(q.y>28.&&q.y<47.&&abs(q.x)<8.) c=mix(c,vec3(.16,.28,.50),.75);
  c=mix(c,vec3(.93),marks(q)*.9); spec=.25;
 } else if(m==12){ float f=exp(-fwidth(wp.x)*30.); c=vc*(.86+.28*ns(wp.xy*170.)*f+.10*ns(wp.xy*3.)); if(q.y<46.9) c=mix(c,vec3(.85),marks(q)*.75*step(abs(wp.x),4.8)); }
 else if(m==13){ c=vc*(.75+.5*ns(wp.xy*14.+wp.zz*9.)*exp(-fwidth(wp.x)*6.)+.12*ns(wp.xy*.7)); }
 else if(m==11){
  float u=abs(n.x)>.5?wp.y:wp.x; vec2 b=vec2(u/.4,wp.z/.2); b.x+=.5*mod(floor(b.y),2.); vec2 f=abs(fract(b)-.5); float a=max(fwidth(b.x),fwidth(b.y));
  float mort=max(smoothstep(.48-a,.5,f.x),smoothstep(.46-a,.5,f.y))*exp(-a*4.); c=vc*(.95+.08*hash(floor(b))*exp(-a*3.))*(1.-.15*mort);
  if(wp.z<1.6&&vc.b>.7) c=mix(c,vec3(.20,.32,.30),.9)*(.96+.04*step(.03,abs(fract(u/1.2)-.5)));
 } else if(m==1){ c*=.93+.14*ns(op.xz*220.)+.06*(ns(op.xz*14.+op.y*9.)-.5); }
 else if(m==2){ c*=.7+.8*ns(vec2(op.x*300.,op.z*60.)); spec=.1; }
 else if(m==0){ c*=.96+.06*ns(op.xz*90.+op.yy*70.); spec=.10; }
 else if(m==3){ spec=.15; }
 else if(m==20){ vec3 p=normalize(op); float s=min(abs(p.x),abs(p.y)); float k=abs(length(vec2(abs(p.z)-.92,p.y*.62))-.62);
  float d=min(s,k); float a=fwidth(d); c=mix(vec3(.05,.04,.04),vec3(.80,.36,.12)*(.92+.16*ns(op.xy*900.)),smoothstep(.022,.028+a,d)); spec=.12; }
 else if(m==30){ c=texture(print_,vec2(op.x,op.y)).rrr*.9+.03; }
 float nl=dot(n,L); vec3 s=lp.xyz/lp.w*.5+.5; float k=0.;
 if(nl>0.&&s.x>0.&&s.x<1.&&s.y>0.&&s.y<1.){ for(int i=0;i<2;i++)for(int j=0;j<2;j++) k+=texture(sh,vec3(s.xy+(vec2(i,j)-.5)*.0011,s.z-.0012)); k/=4.; } else k=1.;
 float dif=max(nl,0.)*k*sun; float hemi=.5+.5*n.z; vec3 am=mix(vec3(.75,.62,.5)*.75,vec3(1.,1.,1.03),hemi)*amb;
 float fill=max(dot(n,normalize(vec3(.7,-.5,.3))),0.)*.18+max(dot(n,normalize(vec3(-.3,.7,.2))),0.)*.15;
 if(m==0) am+=vec3(.06,.02,.01);
 vec3 colour=c*(am+fill+dif); vec3 hv=normalize(L+v); colour+=spec*pow(max(dot(n,hv),0.),24.)*k*sun;
 if(m==10) colour+=.10*pow(1.-max(dot(n,v),0.),3.);
 o=vec4(pow(clamp(colour*gain,0.,1.),vec3(1./1.6)),1); }

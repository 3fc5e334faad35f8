"""Reference optima of single birds: batched Levenberg-Marquardt from many random starts, then SciPy. See SOURCE.md."""
import numpy as np
from numpy.random import default_rng
CURVES=["gompertz","logistic","richards","bertalanffy","monomolecular","weibull","two-phase-gompertz","two-phase-logistic","anchored-gompertz","anchored-logistic"]
LAWS=["constant","proportional","power","lognormal"]
def ex(z):  # exp clipped, complex-safe
    r=np.clip(z.real,-740,700); return np.exp(r+1j*z.imag) if np.iscomplexobj(z) else np.exp(r)
def g(z): return ex(-ex(-z))
def l(z): return 1/(1+ex(-z))
# theta: (...,p), t: (...,n) -> broadcast th[...,j,None]
def val(c,t,th,h=None):
    T=[th[...,j,None] for j in range(th.shape[-1])]
    if c=="gompertz": return T[0]*g(T[1]*(t-T[2]))
    if c=="logistic": return T[0]*l(T[1]*(t-T[2]))
    if c=="bertalanffy": return T[0]*(1-ex(-T[1]*(t-T[2])))**3
    if c=="monomolecular": return T[0]*(1-ex(-T[1]*(t-T[2])))
    if c=="richards":
        d=T[3]-1; d=np.where(np.abs(d)<1e-7,1e-7,d); u=ex(-T[1]*(t-T[2])); x=d*u
        ok=x.real>-1+1e-15
        return np.where(ok,T[0]*ex(-np.log(np.where(ok,1+x,1))/d),0)
    if c=="weibull":
        kt=T[2]*t; pos=kt.real>0
        s=np.where(pos,ex(T[3]*np.log(np.where(pos,kt,1))),0); s=np.where(s.real>750,750,s)
        return T[0]-(T[0]-T[1])*ex(-s)
    if c.startswith("two-phase"):
        f=g if c.endswith("gompertz") else l
        return T[0]*f(T[1]*(t-T[2]))+T[3]*f(T[4]*(t-T[5]))
    if c=="anchored-gompertz":
        sh=h[...,None]/T[0]; z0=-np.log(-np.log(sh)); return T[0]*g(T[1]*t+z0)
    if c=="anchored-logistic":
        sh=h[...,None]/T[0]; z0=np.log(sh/(1-sh)); return T[0]*l(T[1]*t+z0)
I=np.inf
def bounds(c,h=None):
    A=(1e-9,I);k=(1e-6,100.);t=(-I,I)
    return {"gompertz":[A,k,t],"logistic":[A,k,t],"bertalanffy":[A,k,t],"monomolecular":[A,k,t],
     "richards":[A,k,t,(.01,50.)],"weibull":[A,(0.,I),k,(.05,20.)],
     "two-phase-gompertz":[A,k,t]*2,"two-phase-logistic":[A,k,t]*2,
     "anchored-gompertz":[(1.001*(h or 40),I),k],"anchored-logistic":[(1.001*(h or 40),I),k]}[c]
def resid(c,law,t,y,th,h):  # th has extra d for power
    mu=val(c,t,th[...,:-1] if law=="power" else th,h)
    if law=="constant": return y-mu, mu
    bad=~(mu.real>0)
    m=np.where(bad,1.,mu)
    lm=np.log(m)
    if law=="lognormal": r=np.log(y)-lm
    else:
        d=th[...,-1,None] if law=="power" else 1.
        r=(y-m)*np.exp(d*(lm.mean(-1,keepdims=True)-lm))
    r=np.where(bad.any(-1,keepdims=True),np.nan,r)
    return r,mu
def jac(c,law,t,y,th,h):
    p=th.shape[-1]; J=np.empty(th.shape[:-1]+(t.shape[-1],p))
    for j in range(p):
        q=th.astype(complex); q[...,j]+=1e-30j
        r,_=resid(c,law,t,y,q,h if h is None else h.astype(complex)); J[...,j]=r.imag/1e-30
    return J
def lm(c,law,t,y,th,h,iters=400):
    """batched projected Levenberg-Marquardt"""
    lo,hi=map(np.array,zip(*(bounds(c,None)+([(-2.,6.)] if law=="power" else []))))
    lo=np.broadcast_to(lo,th.shape).copy(); hi=np.broadcast_to(hi,th.shape)
    if h is not None: lo[...,0]=1.001*h
    th=np.clip(th,lo,hi); 
    with np.errstate(all="ignore"):
        r,_=resid(c,law,t,y,th,h); S=(r*r).sum(-1); S=np.where(np.isfinite(S),S,np.inf)
        lam=np.full(S.shape,1e-2); nu=np.full(S.shape,2.)
        active=np.isfinite(S); still=np.zeros(S.shape,int)
        for it in range(iters):
            ix=np.nonzero(active)[0]
            if len(ix)==0: break
            tt,yy,q,hh=t[ix],y[ix],th[ix],None if h is None else h[ix]
            r,_=resid(c,law,tt,yy,q,hh); J=jac(c,law,tt,yy,q,hh)
            gr=np.einsum('bnp,bn->bp',J,r); H=np.einsum('bnp,bnq->bpq',J,J)
            if law=="power":  # true curvature in the power is twice that of Gauss-Newton
                H[:,-1,-1]*=2
            held=((q<=lo[ix])&(gr>0))|((q>=hi[ix])&(gr<0))
            sc=np.sqrt(np.einsum('bpp->bp',H)); sc=np.where((sc>0)&np.isfinite(sc),sc,1)
            H=H/(sc[:,:,None]*sc[:,None,:]); g_=np.where(held,0,gr/sc)
            H=np.where(held[:,:,None]|held[:,None,:],0,H)
            ok=np.isfinite(H).all((1,2))&np.isfinite(g_).all(1)
            H[~ok]=0; g_[~ok]=0
            P=q.shape[1]
            H=H+np.eye(P)*(lam[ix,None,None]+1e-14)+np.einsum('bp,pq->bpq',held.astype(float),np.eye(P))
            st=-np.linalg.solve(H,g_[...,None])[...,0]/sc
            new=np.clip(q+st,lo[ix],hi[ix])
            r2,_=resid(c,law,tt,yy,new,hh); S2=(r2*r2).sum(-1)
            good=np.isfinite(S2)&(S2<S[ix])
            gain=np.where(good,(S[ix]-S2)/S[ix],0)
            th[ix[good]]=new[good]
            S[ix[good]]=S2[good]
            lam[ix]=np.where(good,lam[ix]*.3,np.minimum(lam[ix]*nu[ix],1e12)); nu[ix]=np.where(good,2.,np.minimum(nu[ix]*2,64))
            lam[ix]=np.maximum(lam[ix],1e-14)
            still[ix]=np.where(gain>1e-11,0,still[ix]+1)
            active[ix]=(still[ix]<14)&ok&(lam[ix]<1e11)
    return th,S
def starts(c,law,t,y,h,rng,m=64):
    """m random starts per bird: (B,m,p)"""
    B,n=y.shape; top=y.max(1)[:,None]; f=t[:,:1]; span=(t[:,-1:]-f)
    U=lambda a,b:rng.uniform(a,b,(B,m)); LU=lambda a,b:np.exp(U(np.log(a),np.log(b)))
    A=top*LU(.9,4); k=LU(1.5,15)/span; ti=f+span*U(-.1,1.1)
    if c in("gompertz","logistic"): T=[A,k,ti]
    elif c in("bertalanffy","monomolecular"): T=[A,k,f-span*U(.001,.4)]
    elif c=="richards": T=[A,k,ti,LU(.05,12)]
    elif c=="weibull": T=[A,top*LU(.001,.3),LU(.5,5)/span,LU(.4,8)]
    elif c.startswith("two"):
        s=U(.05,.95); A=top*LU(.9,2.5)
        # a sharp spurt between two weighings included
        k2=LU(3,400)/span
        T=[A*s,LU(2,20)/span,f+span*U(0,.6),A*(1-s),k2,f+span*U(.2,1.15)]
    else: T=[np.maximum(A,1.5*h[:,None]),k]
    if law=="power": T.append(U(-.5,2.5))
    return np.stack(T,-1)
def reference(c,law,t,y,h,rng,m=64):
    B,n=y.shape; st=starts(c,law,t,y,h,rng,m); p=st.shape[-1]
    rep=lambda a:np.repeat(a,m,0)
    th,S=lm(c,law,rep(t),rep(y),st.reshape(B*m,p),None if h is None else rep(h))
    th=th.reshape(B,m,p); S=S.reshape(B,m); b=S.argmin(1)
    return th[np.arange(B),b],S[np.arange(B),b],th,S
def full_ll(c,law,t,y,th,h):
    """log-likelihood of each bird's terms"""
    n=y.shape[-1]
    mu=val(c,t,th[...,:-1] if law=="power" else th,h)
    with np.errstate(all="ignore"):
        r,_=resid(c,law,t,y,th,h)
        S=(r*r).sum(-1); ll=-.5*n*(np.log(2*np.pi*S/n)+1)
        # u = (y-mu)(g/mu)^d has unit Jacobian relative to (y-mu)/mu^d: the sum of d ln mu is in it
        if law=="lognormal": ll=ll-np.log(y).sum(-1)
    return ll
TRUTH={"gompertz":[1800,.035,45],"logistic":[1700,.045,65],"richards":[1750,.04,55,1.5],"bertalanffy":[1900,.022,-10],
"monomolecular":[1900,.012,-3],"weibull":[1750,40,1/75.,1.5],"two-phase-gompertz":[1350,.035,42,420,.09,128],"two-phase-logistic":[1300,.055,50,450,.11,130],
"anchored-gompertz":[1800,.034],"anchored-logistic":[1700,.045]}
CV={"gompertz":[.1,.08,.08],"logistic":[.1,.08,.08],"richards":[.1,.08,.08,.2],"bertalanffy":[.1,.08,.2],"monomolecular":[.1,.08,.2],"weibull":[.1,.05,.08,.1],
"two-phase-gompertz":[.1,.08,.08,.15,.15,.04],"two-phase-logistic":[.1,.08,.08,.15,.15,.04],"anchored-gompertz":[.1,.08],"anchored-logistic":[.1,.08]}
def simulate(c,law,rng,B=60,ages=None):
    if ages is None: ages=np.array([0,7,14,21,28,42,56,70,84,98,112,126,140,154,168.]) if not c.startswith("two") else np.arange(0,169,8.4)
    t=np.broadcast_to(ages,(B,len(ages))).copy()
    th=np.array(TRUTH[c])*(1+np.array(CV[c])*rng.standard_normal((B,len(TRUTH[c]))))
    h=38+3*rng.standard_normal(B) if c.startswith("anch") else None
    if h is not None: t=np.broadcast_to(ages[1:],(B,len(ages)-1)).copy()
    mu=val(c,t,th,h); mu=np.maximum(mu,1.) 
    z=rng.standard_normal(mu.shape)
    sd={"constant":15+0*mu,"proportional":.03*mu,"power":.35*mu**.6,"lognormal":.03*mu}[law]
    y=np.round(np.where(law=="lognormal",mu*np.exp(.03*z),mu+sd*z),1)
    y=np.maximum(y,5.)
    return t,y,h

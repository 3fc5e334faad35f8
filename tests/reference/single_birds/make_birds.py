"""Writes expected.json: simulated birds and the best optimum that was found for each."""
import json
import numpy as np
from numpy.random import default_rng
from scipy.optimize import least_squares
from engine import *

def data():
    out={}
    for c in CURVES:
        for law in LAWS:
            rng=default_rng(1000*CURVES.index(c)+LAWS.index(law))
            out[(c,law,"own")]=simulate(c,law,rng)
    for law in LAWS:  # birds of two phases through every curve
        for c in CURVES:
            rng=default_rng(77+LAWS.index(law))
            t,y,_=simulate("two-phase-gompertz",law,rng)
            h=None
            if c.startswith("anch"): h=y[:,0]; t=t[:,1:]; y=y[:,1:]
            out[(c,law,"cross")]=(t,y,h)
    return out


D, R = data(), {}
# One ordinary bird of each curve and variance model, then birds that were hard to fit.
want = [(c, law, "own", 0) for c in CURVES for law in LAWS]
want += [('richards', 'power', 'own', 25),
         ('richards', 'power', 'cross', 2),
         ('richards', 'power', 'cross', 28),
         ('richards', 'power', 'cross', 53),
         ('weibull', 'power', 'own', 35),
         ('weibull', 'power', 'cross', 6),
         ('weibull', 'power', 'cross', 25),
         ('weibull', 'proportional', 'cross', 0),
         ('weibull', 'proportional', 'cross', 1),
         ('weibull', 'lognormal', 'cross', 4),
         ('weibull', 'lognormal', 'cross', 6),
         ('two-phase-gompertz', 'proportional', 'own', 16),
         ('two-phase-gompertz', 'proportional', 'own', 23),
         ('two-phase-gompertz', 'proportional', 'own', 12),
         ('two-phase-gompertz', 'lognormal', 'own', 30),
         ('two-phase-logistic', 'proportional', 'own', 3),
         ('two-phase-logistic', 'proportional', 'own', 14),
         ('two-phase-logistic', 'proportional', 'own', 42),
         ('two-phase-logistic', 'power', 'own', 0),
         ('two-phase-logistic', 'power', 'own', 13),
         ('two-phase-logistic', 'power', 'own', 22),
         ('two-phase-logistic', 'power', 'own', 23),
         ('two-phase-gompertz', 'power', 'cross', 44),
         ('two-phase-gompertz', 'power', 'cross', 59),
         ('weibull', 'constant', 'cross', 1),
         ('weibull', 'constant', 'cross', 5),
         ('richards', 'constant', 'cross', 2),
         ('richards', 'constant', 'cross', 4),
         ('richards', 'constant', 'cross', 10)]
out=[]
for c,law,kind,b in want:
    t,y,h=D[(c,law,kind)]; t1,y1=t[b],y[b]; h1=None if h is None else h[b:b+1]
    key=(c,law,kind)
    if key not in R: R[key]=reference(c,law,t,y,h,default_rng(5),64 if c.startswith('two') else 24)[:2]
    th=R[key][0][b]
    bd=bounds(c,None if h is None else h[b])+([(-2.,6.)] if law=="power" else [])
    lo,hi=map(np.array,zip(*bd))
    step=c.startswith("two") and max(th[1],th[4])>2
    f=lambda q:resid(c,law,t1[None],y1[None],q[None],h1)[0][0]
    J=lambda q:jac(c,law,t1[None],y1[None],q[None],h1)[0]
    best=None
    if step: q=th; ll=full_ll(c,law,t1[None],y1[None],th[None],h1)[0]
    else:
        # the columns scaled; several passes, since each ends on its own measure of size
        q=np.clip(th,lo+1e-12*np.maximum(1,np.abs(np.where(np.isfinite(lo),lo,0))),hi)
        for _ in range(4):
            s=least_squares(f,q,jac=J,bounds=(lo,hi),x_scale=np.maximum(np.abs(q),1e-3),ftol=1e-15,xtol=1e-15,gtol=1e-15,max_nfev=2000); q=s.x
        ll=full_ll(c,law,t1[None],y1[None],q[None],h1)[0]
        p=len(q)-(law=="power")
    if c.startswith("two") and q[5]<q[2]: q=np.r_[q[3:6],q[:3],q[6:]]  # the earlier phase is the first
    out.append(dict(curve=c,variance=law,name=f"{kind} {b}",ages_d=t1.round(6).tolist(),values=y1.tolist(),hatch_weight_g=None if h is None else float(h[b]),
      terms=None if step else q[:p].tolist(),power=float(q[p]) if law=="power" and not step else None,log_lik=float(ll),end="step" if step else "optimum"))
json.dump(out,open('expected.json','w'),indent=0)
print(len(out),[o["name"]+o["curve"]+o["variance"] for o in out if o["end"]=="step"])

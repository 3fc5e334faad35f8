"""Accelerated failure times under mixed censoring, 40 digits (mpmath 1.4.1, scipy 1.17.1 for the start). usage: python censored.py"""
import numpy as np
from scipy.optimize import minimize
t=[('e',2.0,0),('a',3.0,0),('b',1.5,0),('i',2.5,4.0),('e',5.0,0),('i',0.5,0.7),('e',3.3,0),('i',4.0,9.0),('a',6.0,0),('e',1.1,0)]
x=[0.3,1.0,-0.5,2.0,1.5,0.0,0.8,1.9,0.2,-0.3]
import mpmath as mp
mp.mp.dps=40
F={'w':(lambda z:1-mp.exp(-mp.exp(z)),lambda z:mp.exp(z-mp.exp(z))),'n':(lambda z:mp.erfc(-z/mp.sqrt(2))/2,lambda z:mp.npdf(z)),'l':(lambda z:1/(1+mp.exp(-z)),lambda z:mp.exp(-z)/(1+mp.exp(-z))**2)}
for k,(c,d) in F.items():
    def ll(a,b,s):
        s=mp.exp(s); r=mp.mpf(0)
        for (kind,u,v),xi in zip(t,x):
            z=lambda q:(mp.log(q)-a-b*mp.mpf(str(xi)))/s
            if kind=='e': r+=mp.log(d(z(mp.mpf(str(u))))/s/mp.mpf(str(u)))
            elif kind=='a': r+=mp.log(1-c(z(mp.mpf(str(u)))))
            elif kind=='b': r+=mp.log(c(z(mp.mpf(str(u)))))
            else: r+=mp.log(c(z(mp.mpf(str(v))))-c(z(mp.mpf(str(u)))))
        return r
    f0=lambda p:-float(ll(*[mp.mpf(v) for v in p]))
    o=minimize(f0,[1,0.3,0],method='Nelder-Mead',options=dict(xatol=1e-5,fatol=1e-9))
    g=lambda a,b,s:[mp.diff(ll,(a,b,s),n) for n in ((1,0,0),(0,1,0),(0,0,1))]
    pt=mp.findroot(g,[mp.mpf(v) for v in o.x],tol=1e-24)
    H=mp.matrix(3,3)
    for i in range(3):
        for j in range(3):
            n=[0,0,0];n[i]+=1;n[j]+=1
            H[i,j]=-mp.diff(ll,tuple(pt),tuple(n))
    V=H**-1
    print(k,[mp.nstr(v,16) for v in pt],[mp.nstr(mp.sqrt(V[i,i]),16) for i in range(3)],mp.nstr(ll(*pt),16))

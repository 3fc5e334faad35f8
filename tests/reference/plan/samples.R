# Half widths of a week's weighing: k of P pens, n of N birds of each. R 4.2.2.
cv <- .08; pens <- .02; days <- .004; occ <- .006; P <- 12; N <- 400; k <- 6; n <- 30
vp <- pens^2 / k * (1 - k / P); vb <- cv^2 / (k * n) * (1 - n / N)
v <- vp + vb + days^2 + occ^2 / k
df <- v^2 / (vp^2 / (k - 1) + vb^2 / (k * (n - 1)))
g <- function(d) pnorm((.1 - d) / cv) - pnorm((-.1 - d) / cv)
over <- function(f) integrate(function(z) f(g(pens * z)) * dnorm(z), -8, 8, rel.tol = 1e-12)$value
u <- over(identity); b <- over(function(s) (s - u)^2); w <- over(function(s) s * (1 - s))
s <- sqrt(cv^2 + pens^2)
vs <- b / k * (1 - k / P) + w / (k * n) * (1 - n / N) + (.2 * dnorm(.1 / s) / s)^2 * (v - days^2)
m <- u * (1 - u) / vs
z <- qnorm(.975); mid <- (u + z^2 / (2 * m)) / (1 + z^2 / m)
half <- z * sqrt(u * (1 - u) / m + z^2 / (4 * m^2)) / (1 + z^2 / m)
cat(sprintf("%.10f %.4f %.10f %.10f\n", 100 * qt(.975, df) * sqrt(v), df, 100 * u, 100 * max(u - (mid - half), mid + half - u)))

if ("simulate" %in% commandArgs(TRUE)) {
  set.seed(1)
  sim <- function(cv,pens,days,occ,P,N,k,n,R=4000){
   em<-eu<-numeric(R)
   for(r in 1:R){ p<-rnorm(P,0,pens); flock<-sapply(p,function(d)(1+d)+cv*rnorm(N)); M<-mean(flock); U<-mean(abs(flock-M)<=.1*M)
    use<-sample(P,k); day<-rnorm(1,0,days)
    s<-sapply(use,function(j) sample(flock[,j],n)*(1+day+rnorm(1,0,occ))); m<-mean(s); em[r]<-m/M-1
    eu[r]<-mean(abs(s-m)<=.1*m)-U }
   vp<-pens^2/k*(1-k/P); vb<-cv^2/(k*n)*(1-n/N); v<-vp+vb+days^2+occ^2/k
   df<-if(vp>0) v^2/(vp^2/(k-1)+vb^2/(k*(n-1))) else v^2/(vb^2/(k*(n-1)))
   g<-function(d)pnorm((.1-d)/cv)-pnorm((-.1-d)/cv); over<-function(f) integrate(function(z) f(g(pens*z))*dnorm(z),-8,8)$value
   u<-over(identity); b<-over(function(s)(s-u)^2); w<-over(function(s)s*(1-s)); s2<-sqrt(cv^2+pens^2); vs<-b/k*(1-k/P)+w/(k*n)*(1-n/N)+(.2*dnorm(.1/s2)/s2)^2*(v-days^2)
   cat(sprintf("cv %.2f pens %.3f P %d k %d n %d: mean SD %.4f formula %.4f cover %.1f; unif SD %.4f formula %.4f mean %.4f\n",cv,pens,P,k,n,sd(em),sqrt(v),100*mean(abs(em)<=qt(.975,df)*sqrt(v)),sd(eu),sqrt(vs),mean(eu)))
  }
  sim(.08,.02,.004,.006,12,400,6,30); sim(.08,.02,.004,.006,6,400,6,30); sim(.10,.04,.0,.01,12,200,4,50); sim(.09,.03,.005,.005,20,1000,10,20); sim(.11,.0,.0,.0,1,2000,1,100)
}

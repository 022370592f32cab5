package fhircare.testserver;

import ca.uhn.fhir.jpa.api.config.JpaStorageSettings;
import ca.uhn.fhir.jpa.api.dao.IFhirSystemDao;
import ca.uhn.fhir.jpa.config.r4.JpaR4Config;
import ca.uhn.fhir.jpa.config.r5.JpaR5Config;
import ca.uhn.fhir.jpa.provider.JpaCapabilityStatementProvider;
import ca.uhn.fhir.jpa.provider.JpaSystemProvider;
import ca.uhn.fhir.jpa.search.DatabaseBackedPagingProvider;
import ca.uhn.fhir.context.support.IValidationSupport;
import ca.uhn.fhir.rest.server.RestfulServer;
import ca.uhn.fhir.rest.server.interceptor.RequestValidatingInterceptor;
import ca.uhn.fhir.rest.server.provider.ResourceProviderFactory;
import ca.uhn.fhir.rest.server.util.ISearchParamRegistry;
import ca.uhn.fhir.validation.IInstanceValidatorModule;
import ca.uhn.fhir.validation.ResultSeverityEnum;
import java.util.Map;
import org.eclipse.jetty.ee10.servlet.ServletContextHandler;
import org.eclipse.jetty.ee10.servlet.ServletHolder;
import org.eclipse.jetty.server.Server;
import org.eclipse.jetty.server.ServerConnector;
import org.springframework.context.annotation.AnnotationConfigApplicationContext;

/** Starts a HAPI FHIR server on loopback: {@code java -cp ... fhircare.testserver.Main R4|R5 PORT FOLDER}. */
public final class Main {
    private static final Map<String, Class<?>> RELEASES = Map.of("R4", JpaR4Config.class, "R5", JpaR5Config.class);

    private Main() {}

    public static void main(String[] arguments) throws Exception {
        Class<?> release = RELEASES.get(arguments[0]);
        int port = Integer.parseInt(arguments[1]);
        System.setProperty(Storage.FOLDER, arguments[2]);
        AnnotationConfigApplicationContext beans = new AnnotationConfigApplicationContext(release, Storage.class);

        Server jetty = new Server();
        ServerConnector connector = new ServerConnector(jetty);
        connector.setHost("127.0.0.1");
        connector.setPort(port);
        jetty.addConnector(connector);
        ServletContextHandler context = new ServletContextHandler("/");
        context.addServlet(new ServletHolder(restful(beans)), "/fhir/*");
        jetty.setHandler(context);
        jetty.start();
        System.out.println("ready http://127.0.0.1:" + connector.getLocalPort() + "/fhir");
        System.out.flush();
        // The one who started us holds our standard input; when it goes, so do we.
        while (System.in.read() >= 0) { }
        System.exit(0);
    }

    @SuppressWarnings("unchecked")
    private static RestfulServer restful(AnnotationConfigApplicationContext beans) {
        IFhirSystemDao<?, ?> system = beans.getBean(IFhirSystemDao.class);
        RestfulServer server = new RestfulServer(system.getContext());
        server.registerProviders(beans.getBean(ResourceProviderFactory.class).createProviders());
        server.registerProvider(beans.getBean(JpaSystemProvider.class));
        server.setServerConformanceProvider(new JpaCapabilityStatementProvider(
                server,
                system,
                beans.getBean(JpaStorageSettings.class),
                beans.getBean(ISearchParamRegistry.class),
                beans.getBean(IValidationSupport.class)));
        server.setPagingProvider(beans.getBean(DatabaseBackedPagingProvider.class));

        RequestValidatingInterceptor validation = new RequestValidatingInterceptor();
        validation.addValidatorModule(beans.getBean(IInstanceValidatorModule.class));
        validation.setFailOnSeverity(ResultSeverityEnum.ERROR);
        server.registerInterceptor(validation);
        return server;
    }
}
